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

  // Keep an entry. A second one of the same day and line takes the place of the first, but no pain
  // and no alarm of that one is lost, unless it is to be put right.
  function keep(book, on, entry, right = false) {
    let session = book.sessions.find(s => s.on === on && !s.given);
    if (!session) {
      session = { on, entries: [], asked: false, given: false };
      book.sessions.push(session);
      book.sessions.sort((a, b) => (a.on < b.on ? -1 : a.on > b.on ? 1 : 0));
    }
    const at = session.entries.findIndex(e => e.line === entry.line), old = session.entries[at];
    if (!old) session.entries.push(entry);
    else {
      session.entries[at] = right ? entry : {
        ...entry, before: entry.before ?? old.before, during: pain.worst(old.during, entry.during),
        morning: pain.worst(old.morning, entry.morning), sharp: old.sharp || entry.sharp, warning: old.warning || entry.warning,
      };
    }
  }

  // All of the last day before this one.
  function lastDay(book, today) {
    const before = book.sessions.filter(s => s.on < today), on = before.length ? before[before.length - 1].on : null;
    return { on, age: on ? code.dayNumber(today) - code.dayNumber(on) : 99, sessions: before.filter(s => s.on === on) };
  }

  const feltNext = e => e.done !== 'none' || e.why === 'pain';

  // The last day whose next morning has not been asked, if it was yesterday or the day before.
  function morningDue(book, today) {
    const { on, age, sessions } = lastDay(book, today);
    const due = sessions.some(s => !s.asked && s.entries.some(feltNext));
    return age <= 2 && due ? on : null;
  }

  // Open a day again for what belongs to it: all of it goes out once more with the next text.
  function reopen(book, on) {
    const [first, ...more] = book.sessions.filter(s => s.on === on);
    first.given = false;
    book.sessions = book.sessions.filter(s => !more.includes(s));
    more.forEach(s => s.entries.forEach(e => keep(book, on, e)));
    return first;
  }

  // Was the morning after the last session worse than before it?
  function worseAfter(book, today) {
    const { age, sessions } = lastDay(book, today);
    return age <= 2 && sessions.some(s => s.entries.some(e => e.morning != null && e.morning > (e.before ?? 0)));
  }

  const open = book => book.sessions.filter(s => !s.given && s.entries.length);
  const text = book => code.writeLog(book.plan, book.part, open(book));

  // The same as several texts, each short enough to be drawn; null where one day alone is too long.
  function pieces(book, drawn) {
    const cut = (sessions, part) => {
      const made = drawn(code.writeLog(book.plan, part, sessions));
      if (made) return [made];
      if (sessions.length < 2) return null;
      const half = Math.ceil(sessions.length / 2), first = cut(sessions.slice(0, half), part);
      const rest = first && cut(sessions.slice(half), part + first.length);
      return rest && [...first, ...rest];
    };
    return cut(open(book), book.part);
  }

  function given(book, parts = 1) {
    open(book).forEach(s => { s.given = true; });
    book.part += parts;
  }

  // Bars with their numbers on them; the same stands in the list below.
  function bars(values, top, title, ends) {
    const wide = 300, high = 150, foot = 42, slot = wide / SHOWN;
    const say = values.filter(v => v.value !== null).map(v => `${v.label} ${v.month}: ${v.value}`).join('; ');
    const svg = draw('svg', { class: 'chart', viewBox: `0 0 ${wide} ${high + foot}`, role: 'img', 'aria-label': `${title}. ${say}` });
    svg.append(draw('line', { x1: 0, x2: wide, y1: high, y2: high, class: 'axis' }),
      draw('line', { x1: 0, x2: wide, y1: 24, y2: 24, class: 'axis top' }),
      draw('text', { x: wide, y: 18, 'text-anchor': 'end' }, String(top)));
    values.forEach((v, i) => {
      const tall = ((v.value || 0) / top) * (high - 24), x = i * slot;
      const put = (y, told) => draw('text', { x: x + slot / 2, y, 'text-anchor': 'middle' }, told);
      if (v.value !== null) {
        svg.append(draw('rect', { x: x + 7, y: high - tall, width: slot - 14, height: tall, class: `bar ${v.look || ''}` }),
          put(high - tall - 6, String(v.value)));
      }
      svg.append(put(high + 18, v.label));
      if (!i || values[i - 1].month !== v.month) svg.append(put(high + 36, v.month.slice(0, 3)));
    });
    return el('figure', {}, el('figcaption', {}, title), svg, ends ? el('p', { class: 'small' }, ends) : null);
  }

  return { daysOf, stateOf, keep, feltNext, morningDue, reopen, worseAfter, open, text, pieces, given, bars, SHOWN };
})();
