// What the patient wrote, kept on this device only. When it cannot be kept, the page says so.
const store = (() => {
  const NAME = 'rungwise';
  const fresh = () => ({ format: 1, plans: {}, settings: {} });
  let kept = true, data = fresh(), raw = null;

  function read() {
    try {
      raw = localStorage.getItem(NAME);
      const found = JSON.parse(raw);
      data = found && found.format === 1 ? { ...fresh(), ...found } : fresh();
      localStorage.setItem(NAME + '-try', '1');
      localStorage.removeItem(NAME + '-try');
    } catch { kept = false; }
    return data;
  }

  // Only what changed is written: another window may be about to write something newer.
  function save() {
    try {
      const text = JSON.stringify(data);
      if (text === raw) return kept;
      localStorage.setItem(NAME, text);
      raw = text;
      kept = true;
    } catch { kept = false; }
    return kept;
  }

  // Has another window written meanwhile? It must be read before anything is saved over it.
  function stale() {
    try { return localStorage.getItem(NAME) !== raw; } catch { return false; }
  }

  // As it was when a question was asked, to take back a wrong tap.
  const copy = () => JSON.stringify(data);
  function restore(text) {
    data = JSON.parse(text);
    save();
  }

  // Diary of one version of a plan: its sessions by day, which hand-over is next, since when it is
  // locked, and what is half led. What its text for the therapist needs is kept with it: a new plan
  // may take its place.
  function diaryOf(plan) {
    const { number, key, version, starts } = plan;
    const lines = plan.lines.map(({ title, which, side, both }) => ({ title, which, side, both }));
    return data.plans[`${number}.${version}`] ||= {
      part: 1, sessions: [], lock: null, led: null, plan: { number, key, version, starts, lines },
    };
  }

  // Other versions of the same plan. Another number may be another person on the same device.
  const others = plan => Object.values(data.plans)
    .filter(({ plan: { number, version } }) => number === plan.number && version !== plan.version);

  // What was written is gone. A stop stays, and so does the day on which something was led: neither
  // may be led again for having been erased.
  function erase(today) {
    const left = Object.entries(data.plans).map(([name, { part, lock, erased, plan, sessions }]) => [name, {
      part, lock, plan, sessions: [], led: null, erased: sessions.some(s => s.on === today) ? today : erased,
    }]).filter(([, book]) => book.lock || book.erased === today);
    data = { ...fresh(), plans: Object.fromEntries(left) };
    save();
  }

  read();
  return { get data() { return data; }, get kept() { return kept; }, read, save, stale, copy, restore, diaryOf, others, erase };
})();
