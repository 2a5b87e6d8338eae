// The settings on their screen, with what this phone lacks, another programme, and the eraser.
const options = ({ page, t, settings, screen, home, erase }) => {
  const { el, button, heading, lines, acts, note } = view;

  function show() {
    const now = settings();
    const change = (name, value) => { store.data.settings[name] = value; store.save(); };
    const choice = name => el('label', { class: 'choice' },
      el('input', { type: 'checkbox', checked: now[name], change: e => change(name, e.target.checked) }), el('span', {}, t(name)));
    const leads = el('select', { id: 'lead', change: e => change('lead', Number(e.target.value)) },
      [5, 10, 20, 30, 60].map(n => el('option', { value: String(n) }, t('seconds_n', { n }))));
    leads.value = String(now.lead);
    const missing = [...voice.lacks(), navigator.share ? '' : 'share', copies() ? '' : 'copy',
      page.codes && !('serviceWorker' in navigator && isSecureContext) ? 'offline' : ''].filter(Boolean);
    screen('settings', heading(t('settings')), store.kept ? null : note(t('no_store'), 'warn'),
      ['sound', 'voice', 'buzz', 'wake', 'auto'].filter(name => voice.able[name] !== false).map(choice),
      el('p', { class: 'field' }, el('label', { for: 'lead' }, t('lead')), leads),
      missing.length ? el('div', { class: 'box' }, el('h2', {}, t('lack_title')), lines(missing.map(k => t(`lack_${k}`)))) : null,
      page.codes ? newCode() : null,
      el('div', { class: 'box' }, el('h2', {}, t('erase_title')), lines(page.eraseLines), acts(button(t('erase'), askErase, 'danger'))),
      acts(button(t('back_to_today'), home)));
  }

  // Another programme takes the place of this one; the diary stays.
  function newCode() {
    const area = el('textarea', { id: 'code', rows: '4', dir: 'ltr', spellcheck: 'false', autocapitalize: 'off' });
    const open = () => { if (area.value.trim()) location.hash = area.value.split('#').pop().replace(/\s+/g, ''); };
    return el('div', { class: 'box' }, el('h2', {}, t('code_title')), el('label', { for: 'code' }, t('code_ask')), area,
      acts(button(t('code_open'), open), page.others.map((other, i) => button(t('other_switch', { n: i + 1 }), () => { location.hash = other; }))));
  }

  const copies = () => Boolean(navigator.clipboard || (document.queryCommandSupported && document.queryCommandSupported('copy')));

  function askErase() {
    screen('ask', heading(t('erase_title')), lines(page.eraseLines), acts(
      button(t('erase_sure'), () => {
        erase();
        screen('done', heading(t('erased')), acts(button(t('back_to_today'), home)));
      }, 'danger'), button(t('keep'), show)));
  }

  return { show };
};
