// The diary on its screen: charts, the text to hand over, and the same as a list.
const record = ({ page, plan, t, dayWords, book, screen, home }) => {
  const { el, button, heading, lines, acts, note, tell } = view;

  const painWords = e => [['before', e.before], ['during', e.during], ['morning', e.morning]]
    .filter(p => p[1] != null).map(([when, n]) => `${t(`${when}_short`)} ${n}`).join(', ');

  function show() {
    const all = book().sessions.filter(s => s.entries.length), last = all.slice(-diary.SHOWN);
    const at = s => ({ label: String(Number(s.on.slice(8))), month: page.months[Number(s.on.slice(5, 7)) - 1] });
    const kids = [heading(t('diary'))];
    if (!store.kept) kids.push(note(t('no_store'), 'warn'));
    if (!all.length) kids.push(el('p', {}, t('no_entries')));
    else {
      for (const side of pain.feetOf(plan.lines)) {
        const values = last.map(s => {
          const felt = s.entries.filter(e => plan.lines[e.line].both || plan.lines[e.line].side === side);
          const value = pain.worst(...felt.map(e => e.during));
          return { ...at(s), value, look: value === null ? '' : pain.zone(value, plan) };
        });
        if (values.some(v => v.value !== null)) kids.push(diary.bars(values, 10, `${t('chart_pain')}: ${page.feet[side]}`, page.ends));
      }
      kids.push(diary.bars(last.map(s => ({ ...at(s), value: s.entries.filter(e => e.done !== 'none').length })),
        plan.lines.length, t('chart_done'), null));
    }
    [book(), ...store.others(plan)].filter(b => diary.open(b).length)
      .forEach((b, i) => kids.push(handOver(b, `log${i || ''}`)));
    if (all.length) kids.push(el('h2', {}, t('chart_say')), daysOf(book()));
    for (const b of store.others(plan).filter(found => found.sessions.length)) {
      kids.push(el('h2', {}, t('earlier')), daysOf(b));
    }
    kids.push(acts(button(t('back_to_today'), home)));
    screen('diary', ...kids);
  }

  // The last day first.
  const daysOf = of => el('ol', { class: 'days' }, of.sessions.filter(s => s.entries.length).reverse().map(s => dayOf(s, of.plan.lines)));

  function dayOf(s, of) {
    return el('li', {}, el('h3', {}, dayWords(s.on)), el('ul', {}, s.entries.map(e => {
      const line = of[e.line], why = e.why ? `: ${t(`why_${e.why}`)}` : '', felt = painWords(e);
      return el('li', {}, `${line.title}, ${line.which}. ${t(e.done)}${why}.${felt ? ` ${t('pain_was', { told: felt })}` : ''}`);
    })));
  }

  const SCANNED = 400; // letters in a code that a phone still shows large enough to be scanned

  function handOver(from, id) {
    const text = diary.text(from), earlier = from !== book();
    const area = el('textarea', { id, rows: '5', readOnly: true, value: text, spellcheck: 'false', dir: 'ltr' });
    const file = el('a', { class: 'button', download: 'diary.txt', href: URL.createObjectURL(new Blob([`${text}\n`], { type: 'text/plain' })) }, t('send_file'));
    const told = el('p', { class: 'note', hidden: true });
    const tellHere = words => { told.hidden = false; told.textContent = words; tell(words); };
    const copy = async () => {
      let done = true;
      try { await navigator.clipboard.writeText(text); } catch {
        area.focus();
        area.select();
        done = document.execCommand('copy');
      }
      tellHere(t(done ? 'send_copied' : 'send_not_copied'));
    };
    const share = async () => {
      try { await navigator.share({ text }); } catch (error) { if (error.name !== 'AbortError') copy(); }
    };
    let parts = 1;
    const shown = el('div', { class: 'codes' });
    const scan = () => {
      const found = diary.pieces(from, piece => (piece.length <= SCANNED ? qr.svg(piece) : null));
      if (!found) return tellHere(t('qr_long'));
      parts = found.length;
      shown.replaceChildren(el('p', {}, t('qr_ask')), ...found.map((svg, i) => {
        const name = t('qr_part', { n: i + 1, of: parts });
        svg.setAttribute('role', 'img');
        svg.setAttribute('aria-label', name);
        return el('figure', {}, el('figcaption', {}, name), svg);
      }));
      return shown.scrollIntoView();
    };
    const done = () => { diary.given(from, parts); store.save(); show(); tell(t('send_marked')); };
    return el('div', { class: 'box' }, el('h2', {}, t('send_title')), earlier ? el('p', {}, t('earlier')) : null, lines(page.sendLines),
      el('label', { for: id }, t('send_code')), area,
      acts(button(t('send_copy'), copy), file, navigator.share ? button(t('send_share'), share) : null,
        button(t('send_qr'), scan)), told, shown, acts(button(t('send_given'), done)));
  }

  return { show };
};
