// A led session: what now, how long, what next. Every part ends at a time that was fixed when it
// began, so nothing drifts; what follows begins at that time, however late the page wakes.
const led = (() => {
  const AWAY_MS = 60000; // a page that slept longer than this has led nobody since it fell asleep

  function begin(plan, queue, easy, before, on) {
    return {
      plan: `${plan.number}.${plan.version}`, on, queue, easy, before, at: 0, stage: 'ready',
      set: 1, rep: 1, part: 0, ends: 0, left: null, seen: 0, away: 0, during: null, entries: {},
    };
  }

  const lineOf = (s, plan) => plan.lines[s.queue[s.at]];

  // Sets and times of today; half of them on a day to do less, never more than the plan says.
  function amount(line, easy) {
    const { sets, reps } = line.dose;
    if (!easy) return { sets, reps };
    return sets > 1 ? { sets: Math.ceil(sets / 2), reps } : { sets, reps: Math.ceil(reps / 2) };
  }

  // Parts of one time as [name, seconds].
  function parts(line, easy) {
    if (line.minutes) return [['walk', line.minutes * 60 * (easy ? 0.5 : 1)]];
    const d = line.dose;
    return [['lift', d.lift], ['hold', d.hold], ['lower', d.lower]].filter(p => p[1] > 0);
  }

  const timed = s => s.left === null && ['lead', 'work', 'rest'].includes(s.stage);

  function partSeconds(s, plan) {
    if (s.stage === 'work') return parts(lineOf(s, plan), s.easy)[s.part][1];
    return s.stage === 'rest' ? lineOf(s, plan).dose.rest : s.leadSeconds;
  }

  function enter(s, stage, from, seconds) {
    s.stage = stage;
    s.left = null;
    s.ends = from + seconds * 1000;
  }

  function startSet(s, plan, from, leadSeconds) {
    s.leadSeconds = leadSeconds;
    s.part = 0;
    enter(s, 'lead', from, leadSeconds);
  }

  // One part is over; the next begins at the very time at which it ended.
  function step(s, plan, auto) {
    const line = lineOf(s, plan), now = s.ends, all = parts(line, s.easy), many = amount(line, s.easy);
    if (s.stage === 'rest') {
      if (auto) return startSet(s, plan, now, s.leadSeconds);
      s.stage = 'wait';
    } else if (s.stage === 'lead') {
      enter(s, 'work', now, all[0][1]);
    } else if (s.part + 1 < all.length) {
      s.part += 1;
      enter(s, 'work', now, all[s.part][1]);
    } else {
      s.part = 0;
      count(s, many);
      if (s.rep < many.reps) {
        s.rep += 1;
        if (line.settle) s.stage = 'settle';
        else enter(s, 'work', now, all[0][1]);
      } else if (s.set < many.sets) {
        s.set += 1;
        s.rep = 1;
        if (line.dose.rest > 0) enter(s, 'rest', now, line.dose.rest);
        else s.stage = 'wait';
      } else {
        s.stage = 'ask';
      }
    }
  }

  // What is finished of this line: whole sets begun, and times of the last one.
  function count(s, many) {
    s.did = { sets: s.set, reps: s.rep, all: s.set === many.sets && s.rep === many.reps };
  }

  // Bring the session to this moment. Returns whether anything changed.
  function tick(s, plan, now, hidden, auto) {
    if (!timed(s)) { s.seen = now; return false; }
    const rests = s.stage === 'rest' || lineOf(s, plan).minutes;
    const last = hidden || s.seen, slept = !rests && now - last > AWAY_MS ? last : 0;
    const until = slept || now;
    let changed = false;
    while (timed(s) && s.ends <= until) { step(s, plan, auto && !slept && now - s.ends < AWAY_MS); changed = true; }
    if (slept && timed(s) && s.stage !== 'rest') {
      pause(s, until);
      s.away = now - last;
      changed = true;
    }
    s.seen = now;
    return changed;
  }

  function pause(s, now) {
    if (timed(s)) s.left = Math.max(s.ends - now, 0);
  }

  function resume(s, now) {
    if (s.left === null) return;
    s.ends = now + s.left;
    s.left = null;
    s.away = 0;
    s.seen = now;
  }

  // After a reload: no part is longer than it was, even where the clock was set back meanwhile.
  function woken(s, plan, now) {
    const most = 1000 * partSeconds(s, plan);
    if (!timed(s) || (s.seen <= now && s.ends - now <= most)) return;
    s.left = Math.min(Math.max(s.ends - s.seen, 0), most);
    s.seen = now;
  }

  // This time again from its start. After it is over, so is its rest: it is the one before.
  function repeat(s, plan, now, leadSeconds) {
    if (['settle', 'rest', 'wait'].includes(s.stage)) return back(s, plan, now, leadSeconds);
    startSet(s, plan, now, leadSeconds);
    s.away = 0;
    s.seen = now;
    return undefined;
  }

  // The time before this one, also over the end of a set; before the first, its set-up.
  function back(s, plan, now, leadSeconds) {
    if (s.rep > 1 || s.set > 1) {
      const { reps } = amount(lineOf(s, plan), s.easy);
      if (s.rep > 1) s.rep -= 1;
      else { s.set -= 1; s.rep = reps; }
      s.did = s.rep > 1 ? { sets: s.set, reps: s.rep - 1, all: false }
        : s.set > 1 ? { sets: s.set - 1, reps, all: false } : null;
      s.stage = 'lead';
      return repeat(s, plan, now, leadSeconds);
    }
    s.stage = 'ready';
    s.set = s.rep = 1;
    s.part = 0;
    s.left = null;
    s.did = null;
    return undefined;
  }

  // Milliseconds that are left of this part.
  const leftOf = (s, now) => (s.left !== null ? s.left : Math.max(s.ends - now, 0));

  function entryOf(s, plan, extra) {
    const index = s.queue[s.at], line = plan.lines[index], did = s.did || { sets: 0, reps: 0 };
    const whole = did.all && !s.easy;
    return {
      line: index, done: whole ? 'all' : did.reps ? 'part' : 'none', why: '',
      sets: did.sets, reps: did.reps, before: pain.ofLine(line, s.before), during: s.during,
      morning: null, sharp: false, warning: false, ...extra,
    };
  }

  function finishLine(s, plan, extra = {}) {
    const entry = entryOf(s, plan, extra);
    s.entries[entry.line] = entry;
    s.at += 1;
    Object.assign(s, { stage: s.at < s.queue.length ? 'ready' : 'done', set: 1, rep: 1, part: 0,
      left: null, did: null, during: null, away: 0 });
    return entry;
  }

  return { begin, lineOf, amount, parts, partSeconds, startSet, tick, pause, resume, woken, repeat, back,
    leftOf, timed, entryOf, finishLine };
})();
