// Write a log code: the layout of docs/plan-code.md, byte for byte.
const code = (() => {
  const PLAN = 'RW1P', LOG = 'RW1L';
  const DAY_MS = 86400000, DAY_ZERO = Date.UTC(2020, 0, 1);
  const WHY_NOT = ['', 'pain', 'no_time', 'forgot', 'unwell', 'no_kit', 'unsure', 'other'];
  const DONE = ['all', 'part', 'none'];
  const NOT_ASKED = 15;

  const bytesOf = text => Uint8Array.from(new TextEncoder().encode(text));
  const hex = bytes => [...bytes].map(b => b.toString(16).padStart(2, '0')).join('');
  const fromHex = text => Uint8Array.from(text.match(/../g) || [], pair => parseInt(pair, 16));
  const joined = (...parts) => Uint8Array.from(parts.flatMap(part => [...part]));

  // ---------------------------------------------------------------- sums

  function crc32(bytes) {
    let crc = 0xffffffff;
    for (const byte of bytes) {
      crc ^= byte;
      for (let i = 0; i < 8; i++) crc = (crc >>> 1) ^ (crc & 1 ? 0xedb88320 : 0);
    }
    crc = ~crc >>> 0;
    return Uint8Array.of(crc >>> 24, crc >>> 16, crc >>> 8, crc);
  }

  // FIPS 180-4. The browser's own is missing where the page came over plain http.
  const PRIMES = [];
  for (let n = 2; PRIMES.length < 64; n++) if (PRIMES.every(p => n % p)) PRIMES.push(n);
  const part = root => Math.floor((root - Math.floor(root)) * 4294967296) >>> 0;
  const K = PRIMES.map(p => part(Math.cbrt(p)));
  const START = PRIMES.slice(0, 8).map(p => part(Math.sqrt(p)));

  function sha256(bytes) {
    const size = ((bytes.length + 72) >>> 6) << 6;
    const padded = new Uint8Array(size);
    padded.set(bytes);
    padded[bytes.length] = 0x80;
    const view = new DataView(padded.buffer);
    view.setUint32(size - 8, Math.floor(bytes.length / 536870912));
    view.setUint32(size - 4, (bytes.length << 3) >>> 0);
    const h = [...START], w = new Uint32Array(64);
    const turn = (x, n) => (x >>> n) | (x << (32 - n));
    for (let at = 0; at < size; at += 64) {
      for (let i = 0; i < 16; i++) w[i] = view.getUint32(at + 4 * i);
      for (let i = 16; i < 64; i++) {
        const a = w[i - 15], b = w[i - 2];
        w[i] = w[i - 16] + (turn(a, 7) ^ turn(a, 18) ^ (a >>> 3)) + w[i - 7] +
          (turn(b, 17) ^ turn(b, 19) ^ (b >>> 10));
      }
      let [a, b, c, d, e, f, g, z] = h;
      for (let i = 0; i < 64; i++) {
        const t1 = (z + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & f) ^ (~e & g)) + K[i] + w[i]) | 0;
        const t2 = ((turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))) | 0;
        z = g; g = f; f = e; e = (d + t1) | 0; d = c; c = b; b = a; a = (t1 + t2) | 0;
      }
      [a, b, c, d, e, f, g, z].forEach((v, i) => { h[i] = (h[i] + v) >>> 0; });
    }
    return Uint8Array.from(h.flatMap(v => [v >>> 24, (v >>> 16) & 255, (v >>> 8) & 255, v & 255]));
  }

  function hmac(key, message) {
    const block = new Uint8Array(64);
    block.set(key.length > 64 ? sha256(key) : key);
    const inner = sha256(joined(block.map(b => b ^ 0x36), message));
    return sha256(joined(block.map(b => b ^ 0x5c), inner));
  }

  // ---------------------------------------------------------------- letters

  const ALPHABET = 'ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_';

  function toLetters(bytes) {
    let out = '';
    for (let i = 0; i < bytes.length; i += 3) {
      const left = bytes.length - i;
      const n = (bytes[i] << 16) | ((bytes[i + 1] || 0) << 8) | (bytes[i + 2] || 0);
      for (let k = 0; k < Math.min(left, 3) + 1; k++) out += ALPHABET[(n >>> (18 - 6 * k)) & 63];
    }
    return out;
  }

  const sealed = (mark, body) => mark + toLetters(joined(body, crc32(joined(bytesOf(mark), body))));

  const dayNumber = iso => Math.round((Date.parse(iso + 'T00:00:00Z') - DAY_ZERO) / DAY_MS);

  // ---------------------------------------------------------------- log

  function written() {
    const out = [];
    const number = value => {
      while (value > 127) { out.push((value & 127) | 128); value = Math.floor(value / 128); }
      out.push(value);
    };
    const nibbles = (...values) => {
      for (let i = 0; i < values.length; i += 2) out.push((values[i] << 4) | (values[i + 1] || 0));
    };
    return { out, number, nibbles };
  }

  // sessions: [{ on, entries: [{ line, done, why, sets, reps, before, during, morning, sharp, warning }] }]
  function writeLog(plan, part, sessions) {
    const w = written();
    w.out.push(...fromHex(plan.number));
    w.number(plan.version);
    w.number(part);
    w.number(sessions.length);
    let last = dayNumber(plan.starts);
    for (const session of sessions) {
      const day = dayNumber(session.on);
      w.number(day - last);
      last = day;
      w.number(session.entries.length);
      for (const e of session.entries) {
        w.nibbles(e.line, DONE.indexOf(e.done) | (e.sharp ? 4 : 0) | (e.warning ? 8 : 0));
        w.nibbles(Math.max(WHY_NOT.indexOf(e.why || ''), 0), Math.min(e.sets, 15));
        w.number(e.reps);
        w.nibbles(...[e.before, e.during, e.morning].map(p => (p == null ? NOT_ASKED : p)));
      }
    }
    const body = Uint8Array.from(w.out);
    const check = hmac(fromHex(plan.key), joined(bytesOf(LOG), body)).slice(0, 5);
    return sealed(LOG, joined(body, check));
  }

  return { PLAN, LOG, DAY_MS, DAY_ZERO, ALPHABET, writeLog, crc32, sha256, hmac, hex, bytesOf, joined, toLetters, dayNumber };
})();
