// Draw a text as a QR code, by ISO/IEC 18004: byte mode, Latin-1, level M up to version 20, else L.
const qr = (() => {
  const SVG = 'http://www.w3.org/2000/svg', QUIET = 4, FREE = 2;

  // A level's bits; then of each version from 1 on, to base 36: check codewords of a block, blocks.
  const LEVELS = [
    [0, 'agqiogimmqummoossqqq', '11122444555899aabdeg'],
    [1, '7afkqikouikoqumosussssuuqsuuuuuuuuuuuuuu', '11111222244444666678899acccdefghijjklmop'],
  ];

  // Where a mask turns a module over: row y, column x.
  const MASKS = [
    (y, x) => (y + x) % 2 === 0,
    y => y % 2 === 0,
    (y, x) => x % 3 === 0,
    (y, x) => (y + x) % 3 === 0,
    (y, x) => ((y >> 1) + Math.floor(x / 3)) % 2 === 0,
    (y, x) => (y * x) % 6 === 0,
    (y, x) => (((y * x) % 2) + ((y * x) % 3)) % 2 === 0,
    (y, x) => (((y + x) % 2) + ((y * x) % 3)) % 2 === 0,
  ];

  // ---------------------------------------------------------------- size

  const sizeOf = version => 17 + 4 * version;
  // Centres of the alignment patterns on one axis: even steps back from the far end, then 6.
  function centres(version) {
    if (version < 2) return [];
    const gaps = Math.floor(version / 7) + 1, last = sizeOf(version) - 7;
    const step = version === 32 ? 26 : 2 * Math.ceil((last - 6) / gaps / 2);
    return [6, ...Array.from({ length: gaps }, (_, i) => last - step * (gaps - 1 - i))];
  }

  // Whole codewords in the modules that no pattern takes.
  function codewordsOf(version) {
    const size = sizeOf(version), n = centres(version).length;
    const finders = 3 * 64, format = 31, timing = 2 * (size - 16), about = version < 7 ? 0 : 36;
    const alignment = n && 25 * (n * n - 3) - 10 * (n - 2); // 5 of those on a timing line are counted
    return (size * size - finders - format - timing - about - alignment) >> 3;
  }

  function fit(length) {
    for (const [level, checks, blocks] of LEVELS) {
      for (let version = 1; version <= checks.length; version++) {
        const [check, count] = [checks, blocks].map(digits => parseInt(digits[version - 1], 36));
        const total = codewordsOf(version), room = total - check * count;
        if (length + (version < 10 ? 2 : 3) > room) continue;
        return { level, version, size: sizeOf(version), check, count, total, room };
      }
    }
    return null;
  }

  // ---------------------------------------------------------------- codewords

  // Powers of 2 in GF(256) over x^8 + x^4 + x^3 + x^2 + 1, and their logarithms.
  const POWER = new Uint8Array(510), LOG = new Uint8Array(256);
  for (let i = 0, x = 1; i < 255; i++, x = (x << 1) ^ (x & 128 ? 0x11d : 0)) {
    POWER[i] = POWER[i + 255] = x;
    LOG[x] = i;
  }
  const times = (a, b) => (a && b ? POWER[LOG[a] + LOG[b]] : 0);

  // (x - 1)(x - 2)(x - 4)..., highest power first, without its leading 1.
  function divisorOf(degree) {
    let all = [1];
    for (let i = 0; i < degree; i++) all = [...all, 0].map((a, k) => a ^ times(all[k - 1], POWER[i]));
    return all.slice(1);
  }

  function checksOf(block, divisor) {
    let left = divisor.map(() => 0);
    for (const byte of block) {
      const lead = byte ^ left[0];
      left = divisor.map((d, i) => (left[i + 1] || 0) ^ times(d, lead));
    }
    return left;
  }

  function messageOf(text, { version, check, count, total, room }) {
    const digits = (n, width) => n.toString(16).padStart(width, '0');
    const bytes = Array.from(text, letter => digits(letter.charCodeAt(0), 2)).join('');
    const data = `4${digits(text.length, version < 10 ? 2 : 4)}${bytes}0`
      .match(/../g).map(pair => parseInt(pair, 16));
    for (let pad = 0xec; data.length < room; pad ^= 0xec ^ 0x11) data.push(pad);
    const short = Math.floor(total / count) - check, divisor = divisorOf(check);
    const blocks = Array.from({ length: count }, (_, i) =>
      data.splice(0, short + (i < count - (total % count) ? 0 : 1)));
    const sums = blocks.map(block => checksOf(block, divisor));
    const inTurn = (rows, length) =>
      Array.from({ length }, (_, i) => rows.flatMap(row => (i < row.length ? [row[i]] : []))).flat();
    return [...inTurn(blocks, short + 1), ...inTurn(sums, check)];
  }

  // ---------------------------------------------------------------- modules

  // Patterns only; the places of the format and version stay light until the mask is known.
  function blank(version) {
    const size = sizeOf(version), cells = new Uint8Array(size * size).fill(FREE);
    const set = (y, x, dark) => {
      if (y >= 0 && x >= 0 && y < size && x < size) cells[y * size + x] = dark;
    };
    const rings = (y, x, ...colours) => {
      const steps = colours.flatMap((_, i) => (i ? [-i, i] : [0]));
      for (const i of steps) for (const k of steps) set(y + i, x + k, colours[Math.max(i, -i, k, -k)]);
    };
    formatPlaces(size).concat(versionPlaces(version)).flat().forEach(([y, x]) => set(y, x, 0));
    set(size - 8, 8, 0);
    for (let i = 0; i < size; i++) for (const at of [[6, i], [i, 6]]) set(...at, (i + 1) % 2);
    for (const at of [[3, 3], [3, size - 4], [size - 4, 3]]) rings(...at, 1, 1, 0, 1, 0);
    const along = centres(version), last = size - 7;
    const taken = [[6, 6], [6, last], [last, 6]].map(String); // by the finders
    for (const y of along) for (const x of along) if (!taken.includes(`${[y, x]}`)) rings(y, x, 1, 0, 1);
    return cells;
  }

  // Both places of each bit, lowest bit first.
  const formatPlaces = size => Array.from({ length: 15 }, (_, i) => [
    i < 8 ? [i < 6 ? i : i + 1, 8] : [8, i < 9 ? 7 : 14 - i],
    i < 8 ? [8, size - 1 - i] : [size - 15 + i, 8],
  ]);

  const versionPlaces = version => Array.from({ length: version < 7 ? 0 : 18 }, (_, i) => {
    const near = Math.floor(i / 3), far = sizeOf(version) - 11 + (i % 3);
    return [[near, far], [far, near]];
  });

  // Free modules in the order of the bits: two columns at a time from the right, up and down.
  function trail(cells, size) {
    const found = [];
    for (let right = size - 1, up = true; right > 0; right -= 2, up = !up) {
      if (right === 6) right = 5;
      for (let i = 0; i < size; i++) {
        const at = (up ? size - 1 - i : i) * size + right;
        for (const one of [at, at - 1]) if (cells[one] === FREE) found.push(one);
      }
    }
    return found;
  }

  // Runs of one colour, squares of 2 by 2, likenesses of a finder, and dark far from one half.
  function penalty(cells, size) {
    let sum = 0, dark = 0;
    for (let i = 0; i < size; i++) {
      let across = '', down = '';
      for (let k = 0; k < size; k++) {
        const at = i * size + k, cell = cells[at];
        across += cell;
        down += cells[k * size + i];
        dark += cell;
        if (i && k && cell === cells[at - 1] && cell === cells[at - size] &&
          cell === cells[at - size - 1]) sum += 3;
      }
      for (const line of [across, down]) {
        for (const run of line.match(/0{5,}|1{5,}/g) || []) sum += run.length - 2;
        sum += 40 * (`0000${line}0000`.match(/00001011101|1011101(?=0000)/g) || []).length;
      }
    }
    const all = size * size;
    return sum + 10 * Math.floor(Math.abs(20 * dark - 10 * all) / all);
  }

  // A value with the remainder of its division by a binary polynomial behind it.
  function withRemainder(value, divisor) {
    const degree = 31 - Math.clz32(divisor);
    let left = value << degree;
    for (let i = 31 - Math.clz32(left); i >= degree; i--) {
      if ((left >> i) & 1) left ^= divisor << (i - degree);
    }
    return (value << degree) | left;
  }

  // Rows from the top, true for dark; null for a text too long or with letters beyond Latin-1.
  function matrix(text) {
    const found = /^[\0-\xff]*$/.test(text) ? fit(text.length) : null;
    if (!found) return null;
    const { version, level, size } = found;
    const cells = blank(version), order = trail(cells, size), message = messageOf(text, found);
    order.forEach((at, i) => { cells[at] = ((message[i >> 3] || 0) >> (7 - (i & 7))) & 1; });
    let least = Infinity, mask, best;
    MASKS.forEach((turned, number) => {
      const tried = cells.slice();
      for (const at of order) if (turned(Math.floor(at / size), at % size)) tried[at] ^= 1;
      const points = penalty(tried, size);
      if (points < least) [least, mask, best] = [points, number, tried];
    });
    const write = (places, bits) => places.forEach((both, i) =>
      both.forEach(([y, x]) => { best[y * size + x] = (bits >> i) & 1; }));
    write(formatPlaces(size), withRemainder((level << 3) | mask, 0x537) ^ 0x5412);
    write(versionPlaces(version), withRemainder(version, 0x1f25));
    best[(size - 8) * size + 8] = 1;
    return Array.from({ length: size }, (_, y) =>
      Array.from(best.subarray(y * size, (y + 1) * size), cell => cell === 1));
  }

  // Black on white whatever the colours of the page; role and name are the caller's.
  function svg(text) {
    const rows = matrix(text);
    if (!rows) return null;
    const drawn = document.createElementNS(SVG, 'svg'), path = document.createElementNS(SVG, 'path');
    const side = rows.length + 2 * QUIET, runs = [];
    rows.forEach((row, y) => {
      for (let x = 0, end; x < row.length; x = end + 1) {
        for (end = x; row[end];) end++;
        if (end > x) runs.push(`M${x + QUIET} ${y + QUIET}h${end - x}v1h${x - end}z`);
      }
    });
    drawn.setAttribute('viewBox', `0 0 ${side} ${side}`);
    drawn.setAttribute('shape-rendering', 'crispEdges');
    drawn.style.background = '#fff';
    drawn.style.forcedColorAdjust = 'none';
    path.setAttribute('d', runs.join(''));
    path.setAttribute('fill', '#000');
    drawn.append(path);
    return drawn;
  }

  return { matrix, svg };
})();
