// What every recording goes through before anything is said of it: time, holes, an even rate.
// The same sums in the same order as core/signals.py, so that page and clinic say the same.
// A recording is { time, rows }: seconds, and a list of numbers for each axis.
const signals = (() => {
  const SLACK = 1e-6; // rounding slack of a time step, as a share of it

  const zeros = n => new Float64Array(n);
  const sortedOf = row => Float64Array.from(row).sort();
  const meanOf = row => sumOf(row) / row.length;

  function sumOf(row) {
    let sum = 0;
    for (const value of row) sum += value;
    return sum;
  }

  function dot(a, b) {
    let sum = 0;
    for (let i = 0; i < a.length; i += 1) sum += a[i] * b[i];
    return sum;
  }

  // A half is rounded to the even neighbour, as Python does.
  function round(x) {
    const low = Math.floor(x), rest = x - low;
    return rest > 0.5 || (rest === 0.5 && low % 2 !== 0) ? low + 1 : low;
  }

  // Percentiles by straight lines between the sorted values.
  function percentiles(row, shares) {
    const sorted = sortedOf(row), last = sorted.length - 1;
    return shares.map(share => {
      const at = (share / 100) * last, low = Math.floor(at), high = Math.min(low + 1, last);
      return sorted[low] + (at - low) * (sorted[high] - sorted[low]);
    });
  }

  function medianOf(row) {
    const sorted = sortedOf(row), half = sorted.length >> 1;
    return sorted.length % 2 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
  }

  // Sums of each value and all before it.
  function grown(row) {
    const out = zeros(row.length);
    let sum = 0;
    for (let i = 0; i < row.length; i += 1) { sum += row[i]; out[i] = sum; }
    return out;
  }

  const stepsOf = time => Float64Array.from(time.slice(1), (t, i) => t - time[i]);

  // A fault of the time axis or of a sample, or nothing.
  function faultOf(recording, book) {
    const { time, rows } = recording;
    if (time.length <= 10) return 'few';
    if (rows.some(row => row.some(value => !Number.isFinite(value)))) return 'no_number';
    if (time.some(value => !Number.isFinite(value))) return 'no_number';
    const steps = stepsOf(time);
    if (steps.some(step => step <= 0)) return 'not_rising';
    const middle = medianOf(steps), gap = Math.max(book['stance.gap_most_s'], middle * (1 + SLACK));
    if (1 / middle < book['stance.rate_least_hz'] * (1 - SLACK)) return 'slow';
    const kept = steps.filter(step => step <= gap);
    const [low, high] = percentiles(kept.length ? kept : steps, [10, 90]);
    return (high - low) / 2 / middle > book['stance.jitter_most'] ? 'uneven' : '';
  }

  // Parts between holes as [first, one past the last]. One lost sample is no hole.
  function pieces(recording, book) {
    const { time } = recording, steps = stepsOf(time);
    const most = Math.max(book['stance.gap_most_s'], 2.5 * medianOf(steps));
    const cuts = [0];
    steps.forEach((step, i) => { if (step > most) cuts.push(i + 1); });
    cuts.push(time.length);
    return cuts.slice(1).map((end, i) => [cuts[i], end]);
  }

  // A part at an even rate, by straight lines between its samples.
  function even(recording, [from, to], rate) {
    const time = recording.time.slice(from, to), last = time.length - 1;
    const count = Math.floor((time[last] - time[0]) * rate * (1 + SLACK) + SLACK) + 1;
    const rows = recording.rows.map(whole => {
      const row = whole.slice(from, to), out = zeros(count);
      let at = 0;
      for (let i = 0; i < count; i += 1) {
        const t = time[0] + i / rate;
        while (at < last && time[at + 1] <= t) at += 1;
        out[i] = at === last ? row[last] : row[at] + ((row[at + 1] - row[at]) / (time[at + 1] - time[at])) * (t - time[at]);
      }
      return out;
    });
    return { start: time[0], rate, rows, count, lasts: (count - 1) / rate };
  }

  // Runs of true flags as [first, one past the last].
  function runs(flags) {
    const found = [];
    flags.forEach((flag, i) => {
      if (!flag) return;
      if (found.length && found[found.length - 1][1] === i) found[found.length - 1][1] = i + 1;
      else found.push([i, i + 1]);
    });
    return found;
  }

  // The first of those for which a number is highest.
  function most(items, number) {
    return items.reduce((best, item) => (number(item) > number(best) ? item : best));
  }

  return { zeros, sortedOf, meanOf, sumOf, dot, round, percentiles, medianOf, grown, faultOf, pieces, even, runs, most };
})();
