// What was done and how it felt: lists, two plain charts, and the text for the therapist.
const diary = (() => {
  const { el, draw } = view;
  const SHOWN = 7; // sessions in a chart

  // Days on which a line was done, at least in part.
  const daysOf = (book, line) =>
    book.sessions.filter(s => s.entries.some(e => e.line === line && e.done !== 'none')).map(s => s.on);

  // May this line be done on this day? due, done, week or off; never more than the plan says.
  function stateOf(plan, book, index, today) {
    const days = daysOf(book, index), at = code.dayNumber(today), per = plan.lines[index].dose.days;
    const week = Math.floor((at - code.dayNumber(plan.starts)) / 7);
    const inWeek = days.filter(d => Math.floor((code.dayNumber(d) - code.dayNumber(plan.starts)) / 7) === week);
    const state = days.includes(today) ? 'done'
      : inWeek.length >= per ? 'week'
        : 2 * per <= 7 && days.some(d => at - code.dayNumber(d) === 1) ? 'off' : 'due';
    return { state, times: inWeek.length, per };
  }

  // Keep an entry; a second one of the same day and line takes the place of the first.
  function keep(book, on, entry) {
    let session = book.sessions.find(s => s.on === on && !s.given);
    if (!session) {
      session = { on, entries: [], asked: false, given: false };
      book.sessions.push(session);
      book.sessions.sort((a, b) => (a.on < b.on ? -1 : a.on > b.on ? 1 : 0));
    }
    const at = session.entries.findIndex(e => e.line === entry.line);
    if (at < 0) session.entries.push(entry);
    else session.entries[at] = entry;
  }

  // The last session whose next morning has not been asked, if it was yesterday or the day before.
  function morningDue(book, today) {
    const last = book.sessions.filter(s => s.on < today).pop();
    const age = last ? code.dayNumber(today) - code.dayNumber(last.on) : 99;
    return last && !last.asked && age <= 2 && last.entries.some(e => e.done !== 'none') ? last : null;
  }

  // Was the morning after the last session worse than before it?
  function worseAfter(book, today) {
    const last = book.sessions.filter(s => s.on < today).pop();
    if (!last || code.dayNumber(today) - code.dayNumber(last.on) > 2) return false;
    return last.entries.some(e => e.morning != null && e.morning > (e.before ?? 0));
  }

  const open = book => book.sessions.filter(s => !s.given && s.entries.length);
  const text = (plan, book) => code.writeLog(plan, book.part, open(book));

  function given(book) {
    open(book).forEach(s => { s.given = true; });
    book.part += 1;
  }

  // Bars with their numbers on them; the same stands in the list below.
  function bars(values, top, title, ends) {
    const wide = 300, high = 150, foot = 24, slot = wide / SHOWN;
    const say = values.map(v => `${v.label}: ${v.value}`).join('; ');
    const svg = draw('svg', { class: 'chart', viewBox: `0 0 ${wide} ${high + foot}`, role: 'img', 'aria-label': `${title}. ${say}` });
    svg.append(draw('line', { x1: 0, x2: wide, y1: high, y2: high, class: 'axis' }),
      draw('line', { x1: 0, x2: wide, y1: 24, y2: 24, class: 'axis top' }),
      draw('text', { x: wide, y: 18, 'text-anchor': 'end' }, String(top)));
    values.forEach((v, i) => {
      const tall = (v.value / top) * (high - 24), x = i * slot;
      svg.append(
        draw('rect', { x: x + 7, y: high - tall, width: slot - 14, height: tall, class: `bar ${v.look || ''}` }),
        draw('text', { x: x + slot / 2, y: high - tall - 6, 'text-anchor': 'middle' }, String(v.value)),
        draw('text', { x: x + slot / 2, y: high + 18, 'text-anchor': 'middle' }, v.label));
    });
    return el('figure', {}, el('figcaption', {}, title), svg, ends ? el('p', { class: 'small' }, ends) : null);
  }

  return { daysOf, stateOf, keep, morningDue, worseAfter, open, text, given, bars, SHOWN };
})();
