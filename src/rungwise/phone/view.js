// Small tools to build a screen. Text goes in as text, never as markup.
const view = (() => {
  const SVG = 'http://www.w3.org/2000/svg';

  function put(node, props, kids) {
    for (const [name, value] of Object.entries(props || {})) {
      if (value == null || value === false) continue;
      if (name === 'tap') node.addEventListener('click', value);
      else if (name === 'change') node.addEventListener('change', value);
      else if (name === 'checked' || name === 'value' || name === 'readOnly') node[name] = value;
      else node.setAttribute(name, value === true ? '' : value);
    }
    node.append(...kids.flat().filter(kid => kid != null && kid !== false));
    return node;
  }

  const el = (tag, props, ...kids) => put(document.createElement(tag), props, kids);
  const draw = (tag, props, ...kids) => put(document.createElementNS(SVG, tag), props, kids);
  const button = (text, tap, look = '') => el('button', { type: 'button', class: look, tap }, text);
  const heading = text => el('h1', { tabindex: '-1' }, text);
  const lines = (items, look = '') => el('ul', { class: look }, items.map(item => el('li', {}, item)));
  const acts = (...kids) => el('div', { class: 'acts' }, ...kids);
  const note = (text, look = '') => el('p', { class: `note ${look}` }, text);

  // Said by a screen reader, once.
  function tell(text) {
    const place = document.getElementById('said');
    if (place.textContent !== text) place.textContent = text;
  }

  return { el, draw, button, heading, lines, acts, note, tell };
})();
