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

  async function open(text) {
    // The whole address may be pasted.
    const given = text.includes('#') ? text.slice(text.indexOf('#') + 1) : text;
    let plan, page;
    try {
      const first = await packOf(own);
      plan = code.readPlan(given, first.codes);
      if (!known.includes(plan.language)) throw new code.Unreadable('words');
      page = compose.page(plan, await packOf(plan.language));
    } catch (error) {
      if (!error.why) throw error;
      ask(error.why, given);
      return;
    }
    store.data.code = given.replace(/\s+/g, '');
    store.save();
    build.all(page);
    start(page);
  }

  addEventListener('hashchange', () => location.reload());
  if ('serviceWorker' in navigator && window.isSecureContext) navigator.serviceWorker.register('sw.js');
  const given = decodeURIComponent(location.hash.slice(1)) || store.data.code || '';
  if (given) open(given);
  else ask('', '');
})();
