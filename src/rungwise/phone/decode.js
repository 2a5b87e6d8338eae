// Read a plan code: the layout of docs/plan-code.md, byte for byte. Only a page that gets its plan as
// a code needs it.
Object.assign(code, (() => {
  const { PLAN, LOG, DAY_MS, DAY_ZERO, ALPHABET, crc32, hex, bytesOf, joined, toLetters } = code;
  const FEET = [null, 'right', 'left'], SIGNS = '0123456789+', NUMBER = /^\+?[0-9]{3,15}$/;
  const LEVELS = ['emergency', 'urgent', 'review', 'caution'];

  // Why a code cannot be read: foreign, log, newer, damaged, or words (a name that is not known).
  class Unreadable extends Error {
    constructor(why) { super(why); this.why = why; }
  }

  function fromLetters(text) {
    const out = [];
    let bits = 0, held = 0;
    for (const letter of text) {
      const value = ALPHABET.indexOf(letter);
      if (value < 0) throw new Unreadable('damaged');
      held = ((held << 6) | value) & 0xffff;
      bits += 6;
      if (bits >= 8) { bits -= 8; out.push((held >>> bits) & 255); }
    }
    const bytes = Uint8Array.from(out);
    if (toLetters(bytes) !== text) throw new Unreadable('damaged');
    return bytes;
  }

  function opened(mark, text) {
    const whole = String(text).replace(/\s+/g, '');
    const own = whole.slice(0, 4);
    if (!whole.startsWith('RW') || whole.length < mark.length + 8) throw new Unreadable('foreign');
    if ((own === PLAN || own === LOG) && own !== mark) throw new Unreadable('log');
    if (/\d/.test(whole[2]) && whole[2] !== mark[2] && whole[3] === mark[3]) throw new Unreadable('newer');
    if (own !== mark) throw new Unreadable('foreign');
    const bytes = fromLetters(whole.slice(4));
    if (bytes.length < 5) throw new Unreadable('damaged');
    const body = bytes.slice(0, -4);
    const sum = crc32(joined(bytesOf(mark), body));
    if (hex(sum) !== hex(bytes.slice(-4))) throw new Unreadable('damaged');
    return body;
  }

  function source(bytes) {
    let at = 0;
    const take = count => {
      if (at + count > bytes.length) throw new Unreadable('damaged');
      at += count;
      return bytes.slice(at - count, at);
    };
    const number = () => {
      let value = 0, unit = 1;
      for (let n = 0; n < 5; n++) {
        const byte = take(1)[0];
        value += (byte & 127) * unit;
        if (byte < 128) {
          if (byte === 0 && n) throw new Unreadable('damaged');
          return value;
        }
        unit *= 128;
      }
      throw new Unreadable('damaged');
    };
    const nibbles = count => {
      const found = [...take((count + 1) >> 1)].flatMap(b => [b >> 4, b & 15]);
      if (found.slice(count).some(n => n)) throw new Unreadable('damaged');
      return found.slice(0, count);
    };
    const end = () => { if (at !== bytes.length) throw new Unreadable('damaged'); };
    return { take, number, nibbles, end };
  }

  function dayText(number) {
    const day = new Date(DAY_ZERO + number * DAY_MS);
    if (isNaN(day) || day.getUTCFullYear() > 9999) throw new Unreadable('damaged');
    return day.toISOString().slice(0, 10);
  }

  function named(codes, value) {
    const found = Object.keys(codes).find(key => codes[key] === value);
    if (found === undefined) throw new Unreadable('words');
    return found;
  }

  function within(limit, name, value) {
    const [low, high] = limit[name];
    if (!(low <= value && value <= high)) throw new Unreadable('damaged');
    return value;
  }

  // tables: { family, notch, size, caution, finding, limit } of data/codes, names to numbers; a limit
  // is the lowest and the highest that a code may say.
  function readPlan(text, tables) {
    const r = source(opened(PLAN, text));
    const number = hex(r.take(8)), key = hex(r.take(16)), limit = tables.limit;
    const version = within(limit, 'version', r.number());
    const language = String.fromCharCode(...r.take(2)), edition = hex(r.take(6));
    const first = within(limit, 'starts', r.number()), starts = dayText(first);
    const after = within(limit, 'review', r.number()), length = within(limit, 'ends', r.number());
    if (after < Math.min(1, length) || after > length + 1) throw new Unreadable('damaged');
    const review = dayText(first + after), ends = dayText(first + length);
    const [safe, most] = r.nibbles(2), [foot, count] = r.nibbles(2);
    within(limit, 'safe', safe);
    within(limit, 'most', most);
    within(limit, 'lines', count);
    if (safe >= most) throw new Unreadable('damaged');
    if (foot > 2) throw new Unreadable('damaged');
    const lines = [];
    for (let i = 0; i < count; i++) lines.push(readLine(r, tables));
    const told = readTold(r, tables), phone = readDialled(r), emergency = readDialled(r);
    r.end();
    return {
      number, key, version, language, edition, starts, review, ends, safe, most,
      first: FEET[foot], lines, ...told, phone, emergency,
    };
  }

  function readLine(r, tables) {
    const family = named(tables.family, r.number());
    const [flags, count] = r.nibbles(2);
    if (flags > 3) throw new Unreadable('damaged');
    const dials = Object.keys(tables.notch[family] || {});
    const notches = r.nibbles(dials.length).map((n, i) => named(tables.notch[family][dials[i]], n));
    const sizes = {};
    for (let i = 0; i < count; i++) sizes[named(tables.size, r.number())] = r.number();
    if (Object.keys(sizes).length !== count) throw new Unreadable('damaged');
    for (const name of Object.keys(sizes)) within(tables.limit, name, sizes[name]);
    const dose = {};
    for (const name of ['sets', 'reps', 'hold', 'lift', 'lower', 'rest', 'days']) {
      dose[name] = within(tables.limit, name, r.number());
    }
    if (!dose.hold && !dose.lift && !dose.lower && !dials.includes('minutes')) throw new Unreadable('damaged');
    return { family, side: flags & 1 ? 'left' : 'right', both: !!(flags & 2), notches, sizes, dose };
  }

  // What to mind, what stops a foot, and feet that must be examined first.
  function readTold(r, tables) {
    const [held, count] = r.nibbles(2), seen = new Set();
    if (held > 3) throw new Unreadable('damaged');
    const side = foot => {
      if (foot >= FEET.length) throw new Unreadable('damaged');
      return FEET[foot];
    };
    const once = found => {
      const name = JSON.stringify(found);
      if (seen.has(name)) throw new Unreadable('damaged');
      seen.add(name);
      return found;
    };
    const cautions = [], findings = [];
    for (let i = 0; i < count; i++) {
      const [foot, kind] = r.nibbles(2);
      cautions.push(once({ kind: named(tables.caution, kind), side: side(foot) }));
    }
    for (let i = r.number(); i > 0; i--) {
      const item = named(tables.finding, r.number()), [foot, level] = r.nibbles(2);
      if (level >= LEVELS.length) throw new Unreadable('damaged');
      findings.push(once({ item, level: LEVELS[level], side: side(foot) }));
    }
    return { cautions, findings, unfinished: ['right', 'left'].filter((_, bit) => (held >> bit) & 1) };
  }

  function readDialled(r) {
    const number = r.nibbles(r.number()).map(sign => SIGNS[sign] || '?').join('');
    if (number && !NUMBER.test(number)) throw new Unreadable('damaged');
    return number;
  }

  return { LEVELS, Unreadable, readPlan };
})());
