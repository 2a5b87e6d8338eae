// Repetitions by rhythm, and heel raises by the turn of a phone on the foot: core/reps.py again,
// with the same sums. `cannot` is a word for why it cannot be told; empty when it can.
const reps = (() => {
  const { zeros, sumOf, dot, meanOf, medianOf, percentiles, round, sortedOf, grown, most } = signals;
  const TINY = 1e-9; // least distance that a weight is taken from
  const DEGREES = 180 / Math.PI;

  // The longest part without a hole, at one rate.
  function longest(recording, book) {
    const part = most(signals.pieces(recording, book), ([a, b]) => b - a);
    return signals.even(recording, part, book['reps.rate_hz']);
  }

  // Moving average, run twice, the ends held.
  function smooth(row, rate, book) {
    const width = 2 * Math.floor(round(book['reps.smooth_s'] * rate) / 2) + 1, half = (width - 1) / 2;
    let out = row;
    for (let time = 0; time < 2; time += 1) {
      const padded = zeros(out.length + width);
      padded.fill(out[0], 0, half + 1);
      padded.set(out, half + 1);
      padded.fill(out[out.length - 1], half + 1 + out.length);
      const sums = grown(padded);
      out = out.map((_, i) => (sums[i + width] - sums[i]) / width);
    }
    return out;
  }

  // Directions of most movement, at right angles, by repeated multiplication.
  function mainDirections(rows, count) {
    const spread = rows.map(a => rows.map(b => dot(a, b)));
    const times = at => spread.map(line => dot(line, at));
    const found = [];
    for (let k = 0; k < Math.min(count, rows.length); k += 1) {
      const first = most(rows.map((_, i) => i), i => spread[i][i]);
      let at = rows.map((_, i) => (i === first ? 1 : 0));
      for (let i = 0; i < 100; i += 1) {
        const next = times(at), length = Math.sqrt(dot(next, next));
        if (length === 0) break;
        at = next.map(value => value / length);
      }
      found.push(at);
      const size = dot(at, times(at));
      spread.forEach((line, i) => { rows.forEach((_, j) => { line[j] -= at[i] * at[j] * size; }); });
    }
    return found;
  }

  const along = (way, rows) => rows[0].map((_, i) => way.reduce((sum, share, k) => sum + share * rows[k][i], 0));
  const squares = rows => rows.reduce((sum, row) => sum + dot(row, row), 0);

  // ---------------------------------------------------------------- rhythm

  function countByRhythm(recording, book) {
    const told = (count, period, likeness, cannot = '') => ({ count, period, likeness, cannot });
    const fault = signals.faultOf(recording, book);
    if (fault) return told(0, 0, 0, fault);
    const piece = longest(recording, book), rate = piece.rate / 2;
    const halved = piece.rows.map(whole => {
      const row = smooth(whole, piece.rate, book).filter((_, i) => i % 2 === 0), middle = medianOf(row);
      return row.map(value => value - middle);
    });
    const groups = [halved.slice(0, 3), halved.slice(3)].filter(group => group.length);
    const sizes = groups.map(group => Math.sqrt(squares(group) / group[0].length));
    if (Math.min(...sizes) === 0) return told(0, 0, 0, 'nothing_moves');
    const x = groups.flatMap((group, g) => group.map(row => {
      const mean = meanOf(row.map(value => value / sizes[g]));
      return row.map(value => value / sizes[g] - mean);
    }));
    const [lag, likeness] = periodOf(x, rate, book);
    if (lag === 0 || likeness < book['reps.least_rhythm']) return told(0, lag / rate, likeness, 'no_rhythm');
    const apart = book['reps.apart_share'] * lag, share = book['reps.rise_share'];
    const rows = [];
    for (const way of mainDirections(x, 3)) {
      const row = along(way, x);
      for (const one of [row, row.map(value => -value)]) {
        const [low, high] = percentiles(one, [5, 95]);
        const peaks = peaksOf(one, apart, share * (high - low), low);
        if (peaks.length > 2) {
          const gaps = peaks.slice(1).map((peak, i) => peak - peaks[i]);
          rows.push([deviation(gaps) / meanOf(gaps), peaks.length]);
        }
      }
    }
    if (!rows.length) return told(0, lag / rate, likeness, 'too_few');
    rows.sort((a, b) => a[0] - b[0] || a[1] - b[1]);
    return told(rows[0][1], lag / rate, likeness);
  }

  function deviation(row) {
    const mean = meanOf(row);
    return Math.sqrt(row.reduce((sum, value) => sum + (value - mean) ** 2, 0) / row.length);
  }

  // Lag of one repetition [samples] and the likeness there; 0 when there is none.
  function periodOf(x, rate, book) {
    const n = x[0].length, least = Math.trunc(book['reps.least_period_s'] * rate);
    const end = Math.min(Math.trunc(book['reps.most_period_s'] * rate), Math.floor(n / 3));
    const all = zeros(n + 1);
    all.set(grown(x[0].map((_, i) => x.reduce((sum, row) => sum + row[i] * row[i], 0))), 1);
    const like = [];
    for (let lag = 0; lag < end; lag += 1) {
      let sum = 0;
      for (const row of x) for (let i = lag; i < n; i += 1) sum += row[i] * row[i - lag];
      like.push(sum / Math.sqrt(all[n - lag] * (all[n] - all[lag])));
    }
    const tops = [];
    for (let k = Math.max(least, 1); k < end - 1; k += 1) {
      if (like[k - 1] < like[k] && like[k] >= like[k + 1]) tops.push(k);
    }
    const best = Math.max(0, ...tops.map(k => like[k]));
    if (best === 0) return [0, 0];
    const first = tops.find(k => like[k] >= book['reps.rhythm_share'] * best);
    return [first, like[first]];
  }

  // Peaks that stand apart and out; before and after the row the ground is reached.
  function peaksOf(row, apart, rise, ground) {
    const x = [ground, ...row, ground], tops = [];
    for (let i = 1; i < x.length - 1; i += 1) if (x[i - 1] < x[i] && x[i] >= x[i + 1]) tops.push(i);
    const kept = [];
    for (const i of tops.sort((a, b) => x[b] - x[a] || a - b)) {
      if (kept.every(j => Math.abs(i - j) >= apart)) kept.push(i);
    }
    const valley = (i, step) => {
      let low = x[i];
      for (let k = i + step; k >= 0 && k < x.length && x[k] <= x[i]; k += step) low = Math.min(low, x[k]);
      return low;
    };
    return kept.filter(i => x[i] - Math.max(valley(i, -1), valley(i, 1)) >= rise).map(i => i - 1).sort((a, b) => a - b);
  }

  // ---------------------------------------------------------------- heel raises

  // With six rows by the turning of the last three; with three by the tilt against gravity.
  function heelRaisesIn(recording, book) {
    const told = (cannot, by = '', raises = [], partial = 0) => ({ cannot, by, raises, partial, count: raises.length });
    const fault = signals.faultOf(recording, book);
    if (fault) return told(fault);
    const piece = longest(recording, book), { rate, start } = piece;
    if (piece.lasts < book['stance.window_s']) return told('short');
    const rows = piece.rows.map(row => smooth(row, rate, book));
    const shaken = loudIn(piece.rows.slice(0, 3), rate, book);
    const turns = rows.length > 3, by = turns ? 'turning' : 'tilt';
    const [found, oneAxis] = turns ? turnSpeed(rows.slice(3), rate, shaken) : tiltSpeed(rows, rate, shaken);
    if (!(oneAxis >= book['reps.one_axis_share'])) return told('several_axes');
    let speed = found, angle = grown(speed).map(value => value / rate);
    let legs = legsOf(angle, speed, shaken, rate, book);
    if (legs.length < 2) return told('too_little');
    if (legs[0][2] < 0) {
      speed = speed.map(value => -value);
      angle = angle.map(value => -value);
      legs = legs.map(([a, b, turn]) => [a, b, -turn]);
    }
    const like = book['reps.like_share'] * medianOf(legs.map(leg => Math.abs(leg[2])));
    const raises = [];
    let partial = 0, i = 0;
    while (i < legs.length - 1) {
      const [a, b, up] = legs[i], [c, d, down] = legs[i + 1];
      if (up <= 0 || down >= 0) { i += 1; continue; }
      i += 2;
      if (Math.min(up, -down) < like) { partial += 1; continue; }
      const [begin, top] = movementOf(angle, a, b), [leave, floor] = movementOf(angle, c, d);
      const from = Math.ceil(top), top_ = angle.slice(from, Math.max(Math.trunc(leave), from + 1));
      raises.push({
        start: start + begin / rate, up: (top - begin) / rate, hold: Math.max(leave - top, 0) / rate,
        down: (floor - leave) / rate, turn: (up - down) / 2, wobble: top_.length > 2 ? deviation(top_) : 0,
      });
    }
    return raises.length ? told('', by, raises, partial) : told('no_movement');
  }

  // Middle of the means of the quietest quarter of all half seconds: least summed distance.
  function quiet(rows, rate) {
    const width = Math.max(Math.trunc(rate / 2), 1), count = Math.floor(rows[0].length / width);
    const parts = [];
    for (let k = 0; k < count; k += 1) {
      const cut = rows.map(row => row.slice(k * width, (k + 1) * width));
      parts.push({ loud: sumOf(cut.map(part => deviation(part) ** 2)), at: cut.map(meanOf) });
    }
    const points = parts.sort((a, b) => a.loud - b.loud).slice(0, Math.max(count >> 2, 1)).map(part => part.at);
    let middle = rows.map((_, k) => meanOf(points.map(point => point[k])));
    for (let i = 0; i < 100; i += 1) {
      const from = middle;
      const weights = points.map(point => 1 / Math.max(Math.sqrt(point.reduce((sum, value, k) => sum + (value - from[k]) ** 2, 0)), TINY));
      const all = sumOf(weights);
      middle = rows.map((_, k) => points.reduce((sum, point, p) => sum + point[k] * weights[p], 0) / all);
    }
    return middle;
  }

  // Turning about the main axis [deg/s], and the share of all turning that it is.
  function turnSpeed(rows, rate, shaken) {
    const rest = quiet(rows, rate);
    const off = rows.map((row, k) => row.map(value => (value - rest[k]) * DEGREES));
    return shareOf(off, off.map(row => row.map((value, i) => (shaken[i] ? 0 : value))));
  }

  function shareOf(rows, used) {
    const [axis] = mainDirections(used, 1), there = along(axis, used), whole = squares(used);
    return [along(axis, rows), whole ? dot(there, there) / whole : 0, axis];
  }

  // Speed of the tilt in the plane in which gravity swings [deg/s], and the share in it.
  function tiltSpeed(rows, rate, shaken) {
    const size = rows[0].map((_, i) => Math.sqrt(rows.reduce((sum, row) => sum + row[i] * row[i], 0)));
    const way = rows.map(row => row.map((value, i) => value / (size[i] > 0 ? size[i] : 1)));
    let rest = quiet(way, rate);
    const length = Math.max(Math.sqrt(dot(rest, rest)), TINY);
    rest = rest.map(value => value / length);
    const down = along(rest, way);
    const away = way.map((row, k) => row.map((value, i) => value - rest[k] * down[i]));
    const moved = away.map(row => row.slice(1).map((value, i) => (shaken[i + 1] ? 0 : value - row[i])));
    const [, share, axis] = shareOf(moved, moved);
    const across = along(axis, away), angle = across.map((value, i) => Math.atan2(value, down[i]) * DEGREES);
    const n = angle.length;
    const speed = angle.map((_, i) => {
      const a = Math.max(i - 1, 0), b = Math.min(i + 1, n - 1);
      return ((angle[b] - angle[a]) / (b - a)) * rate;
    });
    return [speed, share];
  }

  // Speed at rest: RMS over the quietest quarter of all half seconds [deg/s].
  function noiseOf(speed, rate) {
    const width = Math.max(Math.trunc(rate / 2), 1), count = Math.floor(speed.length / width), sizes = [];
    for (let k = 0; k < count; k += 1) {
      const cut = speed.slice(k * width, (k + 1) * width);
      sizes.push(Math.sqrt(dot(cut, cut) / width));
    }
    return medianOf(sortedOf(sizes).slice(0, Math.max(count >> 2, 1)));
  }

  // Ways up and down of a set as [from, to, turn]: the longest chain that alternates.
  function legsOf(angle, speed, shaken, rate, book) {
    const least = book['reps.turn_least_deg'], highest = book['reps.turn_most_deg'], fastest = book['reps.speed_most_deg_s'];
    const bounded = speed.map((value, i) => (shaken[i] ? Infinity : Math.abs(value)));
    const still = Math.max(book['reps.speed_least_deg_s'], book['reps.noise_times'] * noiseOf(speed, rate));
    const width = book['reps.still_s'] * rate;
    const stills = signals.runs(Array.from(speed, value => Math.abs(value) < still))
      .filter(([a, b]) => b - a >= width).map(([a, b]) => [a, b - 1]);
    let threshold = least, legs = [];
    for (let time = 0; time < 2; time += 1) {
      const turns = turningPoints(angle, threshold).filter(place => !stills.some(([a, b]) => a <= place && place <= b));
      const points = sortedOf(new Set([0, angle.length - 1, ...turns, ...stills.flat()]));
      const ways = [];
      for (let i = 0; i + 1 < points.length; i += 1) {
        const a = points[i], b = points[i + 1], turn = angle[b] - angle[a];
        if (Math.abs(turn) > least / 4 && fastestIn(angle, bounded, a, b) <= fastest) ways.push([a, b, turn]);
      }
      legs = joined(ways, width).filter(leg => least <= Math.abs(leg[2]) && Math.abs(leg[2]) <= highest);
      if (!legs.length) return [];
      threshold = Math.max(least, book['reps.rise_share'] * medianOf(legs.map(leg => Math.abs(leg[2]))));
    }
    const pause = book['reps.pause_most_s'] * rate, chains = [];
    for (const leg of legs) {
      const chain = chains[chains.length - 1], last = chain && chain[chain.length - 1];
      if (last && leg[0] - last[1] <= pause && leg[2] * last[2] < 0) chain.push(leg);
      else chains.push([leg]);
    }
    return most(chains, chain => chain.length);
  }

  // Legs of one way with only a short stop between them, made one.
  function joined(legs, width) {
    const out = [];
    for (const [a, b, turn] of legs) {
      const last = out[out.length - 1];
      if (last && last[2] * turn > 0 && a - last[1] <= 2 * width) out[out.length - 1] = [last[0], b, last[2] + turn];
      else out.push([a, b, turn]);
    }
    return out;
  }

  const doneOf = (angle, a, b) => angle.slice(a, b + 1).map(value => (value - angle[a]) / (angle[b] - angle[a]));

  // Highest speed of a leg between a tenth and nine tenths of its way [deg/s].
  function fastestIn(angle, speed, a, b) {
    const done = doneOf(angle, a, b), last = done.findIndex(value => value >= 1 - 1 / 10);
    let first = last;
    while (done[first] > 1 / 10) first -= 1;
    let top = 0;
    for (let i = a + first; i <= a + last; i += 1) top = Math.max(top, speed[i]);
    return top;
  }

  // Where the size of the acceleration shakes, as it does in a step, half a second around.
  function loudIn(rows, rate, book) {
    const size = rows[0].map((_, i) => Math.sqrt(rows.reduce((sum, row) => sum + row[i] * row[i], 0)));
    const middle = medianOf(size), half = Math.max(round(rate / 4), 1), width = 2 * half + 1, n = size.length;
    const off = size.map(value => (value - middle) ** 2), padded = zeros(n + 2 * half + 1);
    padded.fill(off[0], 1, half + 1);
    padded.set(off, half + 1);
    padded.fill(off[n - 1], half + 1 + n);
    const sums = grown(padded);
    return Array.from(off, (_, i) => (sums[i + width] - sums[i]) / width > book['reps.shake_m_per_s2'] ** 2);
  }

  // Places where a row turns by at least `threshold` in its unit.
  function turningPoints(row, threshold) {
    const points = [];
    let low = 0, high = 0, way = 0;
    row.forEach((value, i) => {
      if (value > row[high]) high = i;
      if (value < row[low]) low = i;
      if (way >= 0 && row[high] - value >= threshold) {
        points.push(high);
        way = -1;
        low = high = i;
      } else if (way <= 0 && value - row[low] >= threshold) {
        points.push(low);
        way = 1;
        low = high = i;
      }
    });
    points.push(way > 0 ? high : low);
    return points;
  }

  // When a tenth and nine tenths of a leg are done, in samples and parts of them.
  function movementOf(angle, a, b) {
    const done = doneOf(angle, a, b), half = done.findIndex(value => value >= 1 / 2);
    let first = half, last = half;
    while (first > 0 && done[first - 1] > 1 / 10) first -= 1;
    while (last < done.length - 1 && done[last] < 1 - 1 / 10) last += 1;
    return [a + first - back(done, first, 1 / 10), a + last - back(done, last, 1 - 1 / 10)];
  }

  // How far before a sample a level was crossed, in parts of a sample.
  function back(done, at, level) {
    if (at === 0 || done[at] === done[at - 1]) return 0;
    return Math.min(Math.max((done[at] - level) / (done[at] - done[at - 1]), 0), 1);
  }

  return { countByRhythm, heelRaisesIn, peaksOf, mainDirections };
})();
