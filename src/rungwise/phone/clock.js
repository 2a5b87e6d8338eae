// Time as a difference of clocks, never as a count of ticks.
const clock = (() => {
  let anchor = Date.now(), base = performance.now(), last = anchor;

  // Milliseconds; never runs back. The steady clock may stand still while the phone sleeps, the
  // wall clock does not: where the wall is ahead, it is right.
  function now() {
    let time = anchor + performance.now() - base;
    const wall = Date.now();
    if (wall - time > 1000) { anchor = wall; base = performance.now(); time = wall; }
    last = Math.max(last, time);
    return last;
  }

  // The day here, as 2026-03-02.
  function today() {
    const d = new Date(now());
    const two = n => String(n).padStart(2, '0');
    return `${d.getFullYear()}-${two(d.getMonth() + 1)}-${two(d.getDate())}`;
  }

  return { now, today };
})();
