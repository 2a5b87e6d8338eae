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

  // Diary of one plan: its sessions by day, which hand-over is next, and why it is locked.
  function diaryOf(plan) {
    return data.plans[plan.number] ||= { part: 1, sessions: [], lock: null };
  }

  function erase() {
    data = fresh();
    try { localStorage.removeItem(NAME); } catch { kept = false; }
  }

  read();
  return { get data() { return data; }, get kept() { return kept; }, read, save, diaryOf, erase };
})();
