// What to mind, why a foot has no exercises and what to do, and whom to call: from the numbers of a
// plan code, in the words and the order of the sheet.
const notice = (() => {
  const SIDES = ['right', 'left'];
  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, name) => values[name] ?? '');

  const cautions = (plan, pack) => plan.cautions.map(({ kind, side }) => ({
    kind, heading: pack.caution[kind].title,
    lines: pack.caution[kind].lines.map(text => fill(text, { foot: pack.foot[side] })),
  }));

  // Both feet, one foot, or [null] the person.
  const whom = sides => (sides.includes(null) ? [null] : SIDES.filter(side => sides.includes(side)));
  const feet = (sides, pack) => {
    const found = whom(sides);
    return found.length > 1 ? pack.notice.both_feet : pack.feet[found[0]];
  };
  const named = (sides, name, pack) => (whom(sides)[0] === null ? name[0].toUpperCase() + name.slice(1)
    : fill(pack.notice.of_feet, { feet: feet(sides, pack), name }));

  // Items of a level, and whom they concern.
  function foundAt(plan, level) {
    const found = new Map();
    for (const one of plan.findings.filter(f => f.level === level)) {
      found.set(one.item, [...(found.get(one.item) || []), one.side]);
    }
    return found;
  }

  // What was found, by the level of the most urgent thing that its foot or the person has.
  function byUrgency(plan, pack, emergency) {
    const first = new Map(), told = new Map(code.LEVELS.map(level => [level, []])), w = pack.notice;
    const gravest = (side, level) => {
      const all = [level, ...(side === null ? [...SIDES, null] : [side, null]).filter(s => first.has(s)).map(s => first.get(s))];
      return code.LEVELS.find(one => all.includes(one));
    };
    for (const level of code.LEVELS) {
      const found = foundAt(plan, level);
      for (const [item, sides] of found) {
        const places = new Map();
        for (const side of sides) {
          const place = gravest(side, level);
          places.set(place, [...(places.get(place) || []), side]);
        }
        for (const [place, whose] of places) {
          const act = fill(w[`${item}.do.${level}`] ?? w[`${level}.do`], { emergency });
          told.get(place).push(named(whose, w[`${item}.name`], pack), ...(place === level ? [act] : []));
        }
      }
      for (const side of [...found.values()].flat()) if (!first.has(side)) first.set(side, level);
    }
    return told;
  }

  function until(plan, pack) {
    const groups = new Map(), w = pack.notice;
    for (const level of code.LEVELS) {
      for (const [item, sides] of foundAt(plan, level)) {
        const name = whom(sides).join();
        if (!groups.has(name)) groups.set(name, { sides, lines: new Set() });
        (w[`${item}.until`] || []).forEach(line => groups.get(name).lines.add(line));
      }
    }
    return [...groups.values()].filter(group => group.lines.size).map(({ sides, lines }) => ({
      kind: 'until', lines: [...lines],
      heading: whom(sides)[0] === null ? w.until_title : fill(w.until_of, { feet: feet(sides, pack).toLowerCase() }),
    }));
  }

  // null where every foot may exercise and nothing must be looked at.
  function stopped(plan, pack, own) {
    const w = pack.notice, emergency = plan.emergency ? own(plan.emergency) : w.ambulance;
    const boxes = [...byUrgency(plan, pack, emergency)].filter(([, lines]) => lines.length).map(([level, lines]) => ({
      kind: level, heading: w[`${level}.title`],
      lines: [...w[`${level}.lines`], ...(level === 'review' ? [w.only_this_sheet] : []), ...lines],
    }));
    if (plan.unfinished.length) {
      boxes.push({ kind: 'unfinished', heading: w['unfinished.title'],
        lines: [named(plan.unfinished, w['unfinished.name'], pack), ...w['unfinished.lines']] });
    }
    if (!boxes.length) return null;
    const idle = SIDES.filter(side => !plan.lines.some(line => line.both || line.side === side));
    return {
      heading: idle.length ? fill(w.no_exercises, { feet: feet(idle, pack) }) : w.look,
      boxes: [...boxes, ...until(plan, pack)],
    };
  }

  const calls = (plan, pack, own) => [['stop', plan.phone], ['help', plan.emergency]].filter(([, dial]) => dial)
    .map(([kind, dial]) => ({ kind, label: fill(pack.words.call, { number: own(dial) }), dial }));

  return { cautions, stopped, calls };
})();
