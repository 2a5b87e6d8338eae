// Quiet stance by acceleration: seconds held and step-outs, as core/sway.py tells them. How steady
// it was is told by the clinic from the file; no centimetres come from a phone.
const held = (() => {
  const { zeros, dot, meanOf, medianOf, percentiles, round, runs, most } = signals;
  const WAYS = ['x', 'y', 'z'];

  function heldIn(recording, book) {
    const fault = signals.faultOf(recording, book);
    if (fault) return { cannot: fault };
    const all = { time: recording.time, rows: recording.rows.slice(0, WAYS.length) };
    const parts = signals.pieces(all, book).filter(([a, b]) => b - a > 10).map(part => signals.even(all, part, book['stance.rate_hz']));
    if (!parts.length) return { cannot: 'holes' };
    const piece = most(parts, part => part.lasts);
    if (!withGravity(piece, book)) return { cannot: 'no_gravity' };
    return quietParts(piece, book);
  }

  function withGravity(piece, book) {
    const size = piece.rows[0].map((_, i) => Math.sqrt(piece.rows.reduce((sum, row) => sum + row[i] * row[i], 0)));
    return Math.abs(medianOf(size) / book['load.gravity_n_per_kg'] - 1) <= book['stance.gravity_within'];
  }

  // The longest chain of quiet parts with only short loud ones between.
  function quietParts(piece, book) {
    const { rate, start, count } = piece, width = round(book['stance.window_s'] * rate);
    if (count <= width) return { cannot: 'short' };
    const moved = movement(piece.rows, width);
    const [quarter] = percentiles(moved, [25]);
    const loud = Math.max(book['stance.loud_ratio'] * quarter, book['stance.loud_least_m_per_s2']);
    const found = runs(Array.from(moved, value => value <= loud)).filter(([a, b]) => b - a > 1);
    // window i holds the samples i to i + width - 1: what lies before and after a loud burst
    const spans = found.map(([a, b]) => [a, b - 1 + width - 1]);
    for (let i = 0; i + 1 < spans.length; i += 1) {
      const end = spans[i][1], begin = spans[i + 1][0];
      if (end > begin) { // a burst so short that the windows around it overlap
        spans[i][1] = (end + begin) / 2;
        spans[i + 1][0] = (end + begin) / 2;
      }
    }
    if (!spans.length) return { cannot: 'not_quiet' };
    const longest = book['stance.step_out_most_s'] * rate, chains = [[spans[0]]];
    for (const span of spans.slice(1)) {
      const chain = chains[chains.length - 1];
      if (span[0] - chain[chain.length - 1][1] <= longest) chain.push(span);
      else chains.push([span]);
    }
    const chain = most(chains, one => one.reduce((sum, [a, b]) => sum + b - a, 0));
    const parts = chain.map(([a, b]) => [start + a / rate, start + b / rate]);
    return {
      cannot: '', parts, longest: Math.max(...parts.map(([a, b]) => b - a)), stepOuts: parts.length - 1,
      openStart: chain[0][0] === 0, openEnd: chain[chain.length - 1][1] === count - 1,
    };
  }

  // RMS distance from their mean of every `width` neighbouring samples.
  function movement(rows, width) {
    const about = rows.map(row => { const mean = meanOf(row); return row.map(value => value - mean); });
    const count = rows[0].length - width + 1, out = zeros(count);
    const before = row => { const sums = zeros(row.length + 1); sums.set(signals.grown(row), 1); return sums; };
    const sums = about.map(before);
    const squares = before(about[0].map((_, i) => about.reduce((sum, row) => sum + row[i] * row[i], 0)));
    for (let i = 0; i < count; i += 1) {
      const means = sums.map(row => (row[i + width] - row[i]) / width);
      const variance = (squares[i + width] - squares[i]) / width - dot(means, means);
      out[i] = Math.sqrt(Math.max(variance, 0));
    }
    return out;
  }

  return { heldIn };
})();
