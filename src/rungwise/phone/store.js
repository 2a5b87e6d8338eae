// What the patient wrote, kept on this device only. When it cannot be kept, the page says so.
const store = (() => {
  const NAME = 'rungwise';
  const fresh = () => ({ format: 1, plans: {}, settings: {}, led: null });
  let kept = true, data = fresh();

  function read() {
    try {
      const found = JSON.parse(localStorage.getItem(NAME));
      if (found && found.format === 1) data = { ...fresh(), ...found };
      localStorage.setItem(NAME + '-try', '1');
      localStorage.removeItem(NAME + '-try');
    } catch { kept = false; }
    return data;
  }

  function save() {
    try { localStorage.setItem(NAME, JSON.stringify(data)); kept = true; } catch { kept = false; }
    return kept;
  }

  // Diary of one version of a plan: its sessions by day, which hand-over is next, since when it is
  // locked. What its text for the therapist needs is kept with it: a new plan may take its place.
  function diaryOf(plan) {
    const { number, key, version, starts } = plan;
    return data.plans[`${number}.${version}`] ||= {
      part: 1, sessions: [], lock: null, plan: { number, key, version, starts },
    };
  }

  const others = plan => Object.entries(data.plans)
    .filter(([name]) => name !== `${plan.number}.${plan.version}`).map(([, book]) => book);

  function erase() {
    data = fresh();
    try { localStorage.removeItem(NAME); } catch { kept = false; }
  }

  read();
  return { get data() { return data; }, get kept() { return kept; }, read, save, diaryOf, others, erase };
})();
