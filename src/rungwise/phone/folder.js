// Where the page comes from a web host: the plan stands behind the # of its address, which no
// browser sends to the host, and is then kept on this device.
(() => {
  const { el, button } = view;
  const known = JSON.parse(document.documentElement.dataset.languages);
  const own = (navigator.languages || []).map(l => l.slice(0, 2)).find(l => known.includes(l)) || known[0];

  const packOf = async lang => {
    const answer = await fetch(`pack-${known.includes(lang) ? lang : known[0]}.json`);
    if (!answer.ok) throw new Error(`pack: ${answer.status}`);
    return answer.json();
  };

  // Ask for the code, and say what is wrong with one that cannot be read.
  async function ask(why, given) {
    const pack = await packOf(own), w = pack.words, fault = why ? w[`code_${why}`] : '';
    document.documentElement.lang = pack.lang;
    document.documentElement.dir = pack.dir;
    const area = el('textarea', { id: 'code', rows: '6', dir: 'ltr', spellcheck: 'false', autocapitalize: 'off', value: given,
      ...(fault ? { 'aria-invalid': 'true', 'aria-describedby': 'fault' } : {}) });
    const title = el('h1', { tabindex: '-1' }, w.code_title);
    document.title = w.code_title;
    document.querySelector('main').replaceChildren(el('section', {}, title, el('label', { for: 'code' }, w.code_ask), area,
      fault ? el('p', { id: 'fault', class: 'note warn' }, fault) : null,
      el('div', { class: 'acts' }, button(w.code_open, () => open(area.value), 'big'))));
    (fault ? area : title).focus();
  }

  // A link with another number may be anybody's: it takes the place of mine only if I say so.
  async function askOther(mine, other) {
    const pack = await packOf(own), w = pack.words;
    document.documentElement.lang = pack.lang;
    document.documentElement.dir = pack.dir;
    document.title = w.other_title;
    const title = el('h1', { tabindex: '-1' }, w.other_title);
    document.querySelector('main').replaceChildren(el('section', {}, title, el('p', {}, w.other_ask),
      el('div', { class: 'acts' }, button(w.other_keep, () => keepMine(mine), 'big'), button(w.other_open, () => open(other, true)))));
    title.focus();
  }

  function keepMine(mine) {
    history.replaceState(null, '', location.pathname + location.search);
    open(mine);
  }

  async function open(text, sure = false) {
    // The whole address may be pasted.
    const given = (text.includes('#') ? text.slice(text.indexOf('#') + 1) : text).replace(/\s+/g, '');
    let plan, page;
    try {
      const first = await packOf(own);
      plan = code.readPlan(given, first.codes);
      if (!known.includes(plan.language)) throw new code.Unreadable('words');
      const mine = store.data.code && numberOf(store.data.code, first.codes);
      if (mine && mine !== plan.number && !sure) return askOther(store.data.code, given);
      page = compose.page(plan, await packOf(plan.language));
    } catch (error) {
      if (!error.why) throw error;
      return ask(error.why, given);
    }
    // An older version is shown, but the plain address stays with the newer one.
    const all = store.data.codes ||= {}, newer = store.others(plan).some(b => b.plan.version > plan.version);
    if (!newer) all[plan.number] = given;
    if (all[plan.number]) store.data.code = all[plan.number];
    store.save();
    page.others = Object.keys(all).filter(number => number !== plan.number).map(number => all[number]);
    build.all(page);
    return start(page);
  }

  function numberOf(text, codes) {
    try { return code.readPlan(text, codes).number; } catch { return null; }
  }

  // A calendar's reminder opens the page with #morning: the plan is the one on this device.
  const MORNING = 'morning', behind = () => {
    const text = location.hash.slice(1);
    try { return decodeURIComponent(text); } catch { return text; }
  };

  addEventListener('hashchange', () => { if (behind() !== MORNING) location.reload(); });
  if ('serviceWorker' in navigator && window.isSecureContext) navigator.serviceWorker.register('sw.js');
  const given = (behind() !== MORNING && behind()) || store.data.code || '';
  if (given) open(given);
  else ask('', '');
})();
