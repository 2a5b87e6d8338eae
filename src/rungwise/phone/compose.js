// From a plan code and a pack of words to the same page that the single file holds.
const compose = (() => {
  const MM_PER_INCH = 25.4, LB_PER_KG = 1 / 0.45359237;
  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, name) => values[name] ?? '');

  function speaker(pack) {
    const rtl = pack.dir === 'rtl';
    const own = text => (rtl ? `\u2068${text}\u2069` : text);
    const count = (table, key, n) => fill(table[`${key}.${n === 1 ? 'one' : 'other'}`], { n });
    const seconds = s => (s >= 60 && s % 60 === 0 ? count(pack.unit, 'minutes', s / 60) : count(pack.unit, 'seconds', s));
    const number = (value, digits) => {
      const cut = Math.floor(value * 10 ** digits + 1e-9) / 10 ** digits;
      return cut.toFixed(digits).replace('.', pack.decimal);
    };
    // Whole parts of an inch, rounded to the cautious side.
    const inches = (mm, parts, up) => {
      const exact = (mm / MM_PER_INCH) * parts;
      let top = up ? Math.ceil(exact - 1e-9) : Math.floor(exact + 1e-9), under = parts;
      const whole = Math.floor(top / under), few = top <= under;
      top -= whole * under;
      while (top && top % 2 === 0) { top /= 2; under /= 2; }
      const n = [whole ? String(whole) : '', top ? `${top}/${under}` : ''].filter(Boolean).join(' ') || '0';
      return fill(pack.unit[few ? 'inch.one' : 'inch.other'], { n });
    };
    const length = (mm, up) => own(mm < 10
      ? fill(pack.unit.small_length, { mm, inches: inches(mm, 16, up) })
      : fill(pack.unit.length, { cm: number(mm / 10, mm % 10 === 0 ? 0 : 1), inches: inches(mm, 8, up) }));
    const mass = kg => own(fill(pack.unit.mass, { kg: number(kg, 0), lb: number(kg * LB_PER_KG, 0) }));
    const day = iso => {
      const [year, month, date] = iso.split('-').map(Number);
      return own(fill(pack.words.date_long, { day: date, month: pack.months[month - 1], year }));
    };
    return { own, count, seconds, length, mass, day };
  }

  function doseLines(line, pack, rung, say) {
    const d = line.dose, w = pack.dose;
    const values = {
      times: d.sets > 1 ? fill(w.sets, d) : say.count(w, 'times', d.reps),
      hold: d.hold ? fill(w.hold, { seconds: say.seconds(d.hold) }) : '',
      stand: d.hold ? fill(w.stand, { seconds: say.seconds(d.hold) }) : '',
      up_down: d.lower ? fill(w.up_down, { up: say.seconds(d.lift), down: say.seconds(d.lower) }) : '',
      rest: d.sets > 1 && d.rest ? fill(w.rest, { time: say.seconds(d.rest) }) : '',
      days: d.days >= 7 ? w.every_day : say.count(w, 'days', d.days),
      gap: 2 * d.days <= 7 ? w.gap : '',
      minutes: rung.minutes ? say.count(w, 'minutes', Math.round(rung.minutes)) : '',
    };
    return pack.families[line.family].dose.map(text => fill(text, values).trim()).filter(Boolean);
  }

  // A roll lies further along than the line at which the toe bends; a folded cloth begins there.
  const kindOf = line => (line.sizes.place_mm > line.sizes.touch_mm ? 'roll' : 'cloth');

  function sizeLines(line, pack, rung, say) {
    const texts = pack.families[line.family].sizes, kind = kindOf(line);
    const sizes = { ...line.sizes, knees_kg: rung.knees_kg, kg_per_foot: line.sizes.scale_kg || 0 };
    return Object.keys(texts).filter(name => !name.includes('.') && sizes[name] > 0).map(name => {
      const text = texts[`${kind}.${name}`] || texts[name], value = sizes[name];
      return name.includes('kg') ? fill(text, { mass: say.mass(value) })
        : fill(text, { length: say.length(value, false), length_up: say.length(value, true) });
    });
  }

  function lineOf(line, pack, say) {
    const name = `${line.family}:${line.notches.join('/')}`, rung = pack.rungs[name], family = pack.families[line.family];
    if (!rung) throw new code.Unreadable('words');
    const told = (line.both && rung.both) || rung.one, minutes = rung.apart ? rung.minutes : 0, d = line.dose;
    const parts = ['set_up', 'safety', 'steps', 'feel', 'slips'].filter(p => told[p].length)
      .map(p => ({ kind: p, heading: pack.headings[p], lines: told[p].map(n => pack.lines[n]) }));
    const found = [kindOf(line), '', 'roll', 'cloth'].flatMap(kind => (line.both ? [''] : ['one', ''])
      .map(one => [name, line.side, kind, one].filter(Boolean).join(' '))).find(key => key in pack.drawn);
    const work = d.sets * d.reps * (d.hold + d.lift + d.lower) + Math.max(d.sets - 1, 0) * d.rest;
    return {
      family: line.family, side: line.side, both: line.both, title: family.title,
      which: family.feet || (line.both ? pack.said.both : pack.feet[line.side]),
      setting: told.setting, minutes, settle: family.dose.some(text => text.includes('{stand}')),
      seconds: Math.round(60 * minutes || work + pack.between), dose: d,
      doseLines: doseLines(line, pack, rung, say), sizeLines: sizeLines(line, pack, rung, say),
      parts, figure: pack.drawings[pack.drawn[found]], kit: rung.kit, also: family.also,
    };
  }

  function page(plan, pack) {
    const say = speaker(pack), s = pack.said;
    const limits = { safe_max: plan.safe, care_from: plan.safe + 1, care_max: plan.most, stop_from: plan.most + 1 };
    const dates = { starts: say.day(plan.starts), review: say.day(plan.review), ends: say.day(plan.ends) };
    const lines = plan.lines.map(line => lineOf(line, pack, say));
    const call = (number, name, key) => (number ? fill(s[`stop.${key}`], { [name]: say.own(number) }) : s[`stop.${key}_plain`]);
    const things = [...lines.filter(l => !l.minutes).flatMap(l => l.kit).map(k => pack.kit[k]), ...lines.flatMap(l => l.also)];
    return {
      ...pack, plan, lines, title: s.title,
      span: [s.span, s.review, s.expired].map(text => fill(text, dates)),
      fetch: { heading: s.fetch_title, lines: [...new Set(things)] },
      stop: { heading: s['stop.title'], lines: [...s['stop.lines'].map(text => fill(text, limits)), call(plan.phone, 'phone', 'call')] },
      help: { heading: s['stop.help_title'], lines: [...s['stop.help_lines'], call(plan.emergency, 'emergency', 'help')] },
      stopline: [fill(s['stop.footer'], limits), s['stop.footer_help']],
      pain: ['safe', 'care', 'stop'].map(zone => [fill(s[`pain.${zone}`], limits), s[`pain.${zone}_do`]]),
      painTitle: s['pain.title'], painLines: ['scale', 'morning', 'morning_worse'].map(k => s[`pain.${k}`]),
      small: { heading: pack.small[0], lines: pack.small.slice(1) },
      cautions: notice.cautions(plan, pack), stopped: notice.stopped(plan, pack, say.own), calls: notice.calls(plan, pack, say.own),
    };
  }

  return { page, speaker };
})();
