// The screens of a composed page, the same as those that the single file holds in its HTML.
const build = (() => {
  const { el } = view;
  const SVG = 'http://www.w3.org/2000/svg';
  const title = text => el('h1', { tabindex: '-1' }, text);
  const list = (items, look) => (items.length ? el('ul', { class: look || '' }, items.map(item => el('li', {}, item))) : null);
  const box = (found, look, more) => el('div', { class: `box ${look}` }, el('h2', {}, found.heading), list(found.lines), more);

  // Drawings come from our own pack; they are read as pictures, which hold no script.
  function picture(text) {
    const svg = new DOMParser().parseFromString(text.replace('<svg', `<svg xmlns="${SVG}" class="pic"`), 'image/svg+xml').documentElement;
    return document.importNode(svg, true);
  }

  function outlines(page) {
    const svg = document.createElementNS(SVG, 'svg'), defs = document.createElementNS(SVG, 'defs');
    svg.setAttribute('class', 'outlines');
    svg.setAttribute('aria-hidden', 'true');
    const used = new Set(page.lines.flatMap(l => l.figure.match(/(?<=href="#)o\d+/g) || []));
    for (const name of used) {
      const path = document.createElementNS(SVG, 'path');
      path.setAttribute('id', name);
      path.setAttribute('d', page.outlines[name]);
      defs.append(path);
    }
    svg.append(defs);
    return svg;
  }

  const today = page => el('section', { id: 'today', 'data-screen': '' }, title(page.title), el('div', { id: 'now' }),
    list(page.span, 'plain'), page.stopped ? [el('h2', {}, page.stopped.heading), ...page.stopped.boxes.map(found => box(found, 'halt'))] : null,
    page.cautions.map(found => box(found, 'care')), box(page.fetch, ''));

  const exercise = (page, line, i) => el('section', { id: `ex-${i}`, 'data-screen': '' },
    el('p', { class: 'place' }, page.words.exercise_no.replace('{n}', i + 1).replace('{of}', page.lines.length)),
    title(line.title), el('p', { class: 'foot' }, line.which), el('p', { class: 'setting' }, line.setting),
    el('figure', {}, picture(line.figure), line.sizeLines.length ? el('figcaption', { class: 'small' }, page.words.general_drawing) : null),
    list(line.doseLines, 'dose'), list(line.sizeLines, 'sizes'),
    line.parts.map(p => el('div', { class: `${p.kind} ${p.kind === 'safety' ? 'box care' : 'part'}` }, el('h2', {}, p.heading),
      el(p.kind === 'steps' ? 'ol' : 'ul', {}, p.lines.map(text => el('li', {}, text))))),
    el('div', { class: 'stopline note halt' }, page.stopline.map(text => el('p', {}, text))), el('div', { class: 'acts' }));

  // When to call whom, with the number of those to be called for it, and of nobody else.
  const callBox = (page, kind) => box(page[kind], 'halt', page.calls.filter(call => call.kind === kind)
    .map(call => el('div', { class: 'acts' }, el('a', { class: 'button danger', href: `tel:${call.dial}` }, call.label))));

  const stop = page => el('section', { id: 'stop', 'data-screen': '' }, title(page.words.when_to_stop),
    el('div', { id: 'boxes' }, callBox(page, 'help'), callBox(page, 'stop')), el('h2', {}, page.painTitle),
    el('dl', { class: 'rule' }, page.pain.map(([range, what], i) => el('div', { class: ['go', 'care', 'stop'][i] }, el('dt', {}, range), el('dd', {}, what)))),
    list(page.painLines), box(page.small, ''));

  function all(page) {
    document.documentElement.lang = page.lang;
    document.documentElement.dir = page.dir;
    const nav = document.querySelector('nav');
    nav.setAttribute('aria-label', page.words.pages);
    const words = { today: 'today', diary: 'diary', stop: 'when_to_stop', settings: 'settings' };
    nav.replaceChildren(...Object.keys(words).map(to => el('button', { type: 'button', 'data-to': to }, page.words[words[to]])));
    document.querySelector('main').replaceChildren(today(page), ...page.lines.map((line, i) => exercise(page, line, i)), stop(page),
      el('section', { id: 'live', 'data-screen': '' }));
    document.body.prepend(outlines(page));
  }

  return { all };
})();
