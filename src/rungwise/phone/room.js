// A class on a big screen. Each moment of the running order is a line that led.js leads by the
// clock; this module shows it, says its captions and goes from one moment to the next.
(page => {
  const NAME = 'rungwise-room';
  const STALE_MS = 3600000; // after this time other people may be in the room: open anew
  const LEAD_S = 5; // to get ready after a jump into a set
  const { el, button, acts, tell } = view;
  const { lang, stages } = page, at = id => document.getElementById(id);
  const t = (key, values = {}) => page.words[key].replace(/\{(\w+)\}/g, (_, name) => values[name]);
  const plan = { number: mark(JSON.stringify(stages)), version: 1, lines: stages };
  const forward = page.dir === 'rtl' ? 'ArrowLeft' : 'ArrowRight';
  const backward = page.dir === 'rtl' ? 'ArrowRight' : 'ArrowLeft';
  let room = fresh(), hidden = 0, beat = 0, second = -1, heard = '', kept = true, saved = 0;

  // Tells classes apart, so that another one of the same browser is not carried on.
  function mark(text) {
    let sum = 7;
    for (const letter of text) sum = (Math.imul(sum, 31) + letter.codePointAt(0)) >>> 0;
    return sum.toString(36);
  }

  function fresh() {
    return { plan: `${plan.number}.${plan.version}`, page: 0, led: null, over: false, sound: true, voice: true };
  }

  // ---------------------------------------------------------------- kept for a reload

  function keep() {
    saved = clock.now();
    if (room.led) room.led.seen = saved;
    try { localStorage.setItem(NAME, JSON.stringify({ ...room, saved })); kept = true; } catch { kept = false; }
  }

  function recall() {
    let found = null;
    try { found = JSON.parse(localStorage.getItem(NAME)); } catch { kept = false; }
    const now = clock.now();
    if (!found || found.plan !== room.plan || !(now - found.saved < STALE_MS) || found.saved > now) return;
    room = { ...fresh(), ...found };
  }

  // ---------------------------------------------------------------- which screen

  let shown = '';
  function show(name, focus = true) {
    document.querySelectorAll('[data-screen]').forEach(s => s.classList.toggle('here', s.id === name));
    const title = at(name).querySelector('h1');
    document.title = title.textContent;
    if (shown === name || !focus) return;
    shown = name;
    scrollTo(0, 0);
    if (name !== 'led') { letters(1); fit(); }
    title.focus({ preventScroll: true });
  }

  // On a big screen all is seen at once: letters give way, but never more than this share.
  const LEAST = 0.76;
  const wide = matchMedia('(min-width: 60.01em) and (min-aspect-ratio: 1/1)');
  let share = 1;
  const high = () => document.documentElement.scrollHeight > innerHeight + 1;
  function letters(to) {
    share = to;
    document.documentElement.style.setProperty('--share', String(share));
  }
  function fit() {
    while (wide.matches && high() && share > LEAST) letters(share - 0.02);
  }

  // One size for the whole class, so that nothing jumps: that of its fullest moment.
  function fitLed() {
    letters(1);
    stages.forEach((line, i) => {
      paintStage(i);
      writeHead(line, line.dose.reps);
      writeCaption(line.cues.map(([, text]) => text).sort((x, y) => y.length - x.length)[0]);
      fit();
    });
    painted = -1;
    paintTime();
  }

  function fitHere() {
    letters(1);
    if (shown === 'led' && room.led) fitLed(); else fit();
  }

  const speak = text => { if (room.voice && voice.able.voice) voice.say(text, lang); };

  function showOpening(n) {
    room.page = n;
    keep();
    at('keeps').hidden = kept;
    show(`open-${n}`);
  }

  function onward() {
    voice.wakeUp();
    voice.hush();
    if (room.page + 1 < page.opening.length) showOpening(room.page + 1); else begin();
  }

  function read() {
    voice.wakeUp();
    voice.say(page.opening[room.page].join(' '), lang);
  }

  // ---------------------------------------------------------------- led

  function begin() {
    const now = clock.now();
    room.led = led.begin(plan, stages.map((_, i) => i), false, null, clock.today());
    room.led.seen = now;
    room.over = false;
    enter(0, now, 0);
    advance();
    voice.stayOn(true);
    paintLed();
    after();
  }

  const stage = () => stages[room.led.at];

  function enter(index, from, lead) {
    Object.assign(room.led, { at: index, set: 1, rep: 1, part: 0, left: null, away: 0, did: null });
    led.startSet(room.led, plan, from, lead);
  }

  // Bring the class to this moment; whether anything changed. A moment begins when the one before
  // ended, however late the page wakes.
  function advance() {
    const s = room.led, now = clock.now(), seen = s.seen;
    let changed = led.tick(s, plan, now, hidden, false);
    while (s.stage === 'ask') {
      changed = true;
      if (s.at + 1 === stages.length) { finish(); return true; }
      enter(s.at + 1, s.ends, 0);
      s.seen = seen;
      led.tick(s, plan, now, hidden, false);
    }
    return changed;
  }

  function finish() {
    room.led = null;
    room.over = true;
    voice.stayOn(false);
  }

  // A jump keeps a pause; into a set there is time to get ready.
  function jump(index) {
    const paused = room.led.left !== null, now = clock.now();
    const to = Math.max(index, 0);
    if (to >= stages.length) { finish(); return after(); }
    enter(to, now, stages[to].kind === 'do' ? LEAD_S : 0);
    room.led.seen = now;
    advance();
    if (paused) led.pause(room.led, now);
    return after();
  }

  const skip = () => jump(room.led.at + 1);
  const back = () => jump(room.led.at - 1);
  const again = () => jump(room.led.at);

  function pauseOrGo() {
    voice.wakeUp();
    const now = clock.now();
    if (room.led.left === null) { led.pause(room.led, now); voice.hush(); heard = ''; } else led.resume(room.led, now);
    after();
  }

  function after() {
    keep();
    if (!room.led) {
      voice.hush();
      heard = '';
      show('end');
      tell(document.title);
      return;
    }
    paintTime();
  }

  function tick() {
    clearTimeout(beat);
    if (room.led) {
      if (advance()) after();
      else paintTime();
      if (room.led && clock.now() - saved > 5000) keep();
    }
    const left = room.led && led.timed(room.led) ? led.leftOf(room.led, clock.now()) : 250;
    beat = setTimeout(tick, Math.max(Math.min(left, (left % 1000) || 250, 250), 4));
  }

  // ---------------------------------------------------------------- what is shown

  function key(name, words, tap, look = '') {
    const shownKey = { Space: t('space'), ArrowLeft: '←', ArrowRight: '→', ArrowUp: '↑' }[name];
    const made = button(words, tap, look);
    made.setAttribute('aria-keyshortcuts', name);
    made.append(' ', el('kbd', { 'aria-hidden': 'true' }, shownKey));
    return made;
  }

  function choice(name) {
    const made = button(t(name), () => {
      room[name] = !room[name];
      made.setAttribute('aria-pressed', String(room[name]));
      if (name === 'voice' && !room.voice) voice.hush();
      keep();
    }, 'slight');
    made.setAttribute('aria-pressed', String(room[name]));
    if (name === 'voice') made.dataset.voice = '';
    return made;
  }

  // Some browsers find their voices late, or have none.
  function offerVoice() {
    document.querySelectorAll('[data-act=read], [data-voice]').forEach(b => { b.hidden = !voice.able.voice; });
  }

  // Built once, so that the focus stays on its button; what changes is written into it.
  function paintLed() {
    if (!at('caption')) {
      at('led').append(
        el('p', { class: 'place' }, el('span', { id: 'where' }), el('span', { id: 'whole' })),
        el('div', { class: 'stage' },
          el('div', { id: 'picture' }),
          el('div', { class: 'words' }, el('h1', { id: 'what', tabindex: '-1' }), el('p', { id: 'setting' }),
            el('ul', { id: 'sides' }), el('div', { id: 'how' }))),
        el('div', { class: 'band' },
          el('div', { class: 'now' }, el('p', { id: 'count', role: 'timer' }), el('p', { id: 'unit' }), el('div', { id: 'bar' }, el('div', {}))),
          el('div', { class: 'tell' }, el('div', { class: 'head' }, el('p', { id: 'phase' }), el('p', { id: 'times' })), el('p', { id: 'caption' }), el('p', { id: 'next' }),
            el('p', { id: 'told', class: 'note warn', hidden: true }))),
        el('div', { class: 'controls' },
          acts(key('Space', '', pauseOrGo, 'big main'), key(backward, t('back'), back), key('ArrowUp', t('again'), again), key(forward, t('skip'), skip)),
          acts(button(at('order').querySelector('h1').textContent, () => show('order'), 'slight'), choice('sound'), choice('voice'), fullButton())));
    }
    offerVoice();
    paintTime();
    show('led');
    fitLed();
  }

  function fullButton() {
    if (!document.fullscreenEnabled) return null;
    const made = button(t('full'), async () => {
      try {
        if (document.fullscreenElement) await document.exitFullscreen();
        else await document.documentElement.requestFullscreen();
      } catch { made.hidden = true; }
    }, 'slight');
    document.addEventListener('fullscreenchange', () => { made.textContent = t(document.fullscreenElement ? 'small' : 'full'); });
    return made;
  }

  const minutes = ms => {
    const whole = Math.ceil(ms / 1000 - 1e-6);
    return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, '0')}`;
  };

  // Each foot of this exercise: done, now, or in which order.
  function sides(block, index) {
    const doing = stages.map((s, i) => [s, i]).filter(([s]) => s.kind === 'do' && s.block === block);
    const order = [...new Set(doing.map(([s]) => s.side))];
    const states = order.map(side => {
      const last = doing.filter(([s]) => s.side === side).at(-1)[1];
      return last < index ? 'done' : stages[index].kind === 'do' && stages[index].side === side ? 'now' : '';
    });
    const open = order.filter((_, i) => states[i] === '');
    return order.map((side, i) => ({ side, state: states[i] || (order.length === 1 ? '' : side !== open[0] || states.includes('now') ? 'then' : states.includes('done') ? 'coming' : 'first') }));
  }

  // The caption of now: in a set that of its part, else by the time that has gone by.
  function cueNow() {
    const s = room.led, line = stage();
    if (s.stage === 'lead') return t('ready');
    if (line.kind === 'do') {
      const parts = led.parts(line, false);
      return line.cues[(s.rep - 1) * parts.length + s.part][1];
    }
    const gone = line.seconds * 1000 - led.leftOf(s, clock.now()) + 1;
    return line.cues.filter(([from]) => from <= gone).at(-1)[1];
  }

  function put(id, text) {
    if (at(id).textContent !== text) at(id).textContent = text;
  }

  function writeCaption(text) {
    put('caption', text);
    at('caption').classList.toggle('long', text.length > 48);
  }

  // Over the caption of a set: which foot, which set and which time of it.
  function writeHead(line, rep) {
    const work = line.kind === 'do', set = work && line.sets > 1 ? `${t('set_of', { n: line.set, of: line.sets })}. ` : '';
    put('phase', work ? page.feet[line.side] : '');
    put('times', work ? set + t('times_of', { n: rep, of: line.dose.reps }) : '');
  }

  let painted = -1;
  function paintStage(index) {
    const line = stages[index], block = line.block, source = block === null ? null : at(`ex-${block}`);
    painted = index;
    put('what', source ? page.titles[block] : at('end').querySelector('h1').textContent);
    put('setting', source ? source.querySelector('.setting').textContent : '');
    put('where', source ? t('exercise_no', { n: block + 1, of: page.titles.length }) : '');
    at('picture').replaceChildren(...(source ? [source.querySelector('figure').cloneNode(true)] : []));
    at('how').replaceChildren(source ? source.querySelector('.how').cloneNode(true) : at('end').querySelector('ul').cloneNode(true));
    at('sides').replaceChildren(...(source ? sides(block, painted).map(({ side, state }) =>
      el('li', { 'data-state': state }, `${state === 'done' ? '✓ ' : ''}${page.feet[side]}${state ? `: ${t(state)}` : ''}`)) : []));
    const before = stages[painted - 1];
    const ended = line.kind !== 'do' && before && before.kind === 'do' && (line.block !== before.block);
    put('next', line.next ? t('next', { what: line.next }) : '');
    if (ended) put('where', `${page.titles[before.block]}: ${t('both_done')}`);
    at('led').classList.toggle('closing', !source);
    if (at('led').classList.contains('here')) document.title = at('what').textContent;
    document.querySelectorAll('#order tbody tr').forEach((row, i, all) => {
      const here = startOf(row) <= line.at && (i + 1 === all.length || startOf(all[i + 1]) > line.at);
      if (here) row.setAttribute('aria-current', 'step'); else row.removeAttribute('aria-current');
    });
  }

  const startOf = row => row.firstElementChild.textContent.split(':').reduce((sum, n) => sum * 60 + Number(n), 0);

  function paintTime() {
    if (!room.led || !at('caption')) return;
    if (painted !== room.led.at) paintStage(room.led.at);
    const s = room.led, line = stage(), paused = s.left !== null, now = clock.now();
    const left = led.leftOf(s, now), all = led.partSeconds(s, plan) * 1000;
    const whole = Math.ceil(left / 1000 - 1e-6), long = all >= 120000, cue = cueNow();
    writeCaption(cue);
    writeHead(line, s.rep);
    if (paused) put('phase', t('paused'));
    else if (s.stage === 'lead') put('phase', '');
    put('count', long ? minutes(left) : String(whole));
    put('unit', t(long ? 'minutes_left' : whole === 1 ? 'seconds_left_one' : 'seconds_left'));
    put('whole', t('left', { time: minutes(leftWhole(s, left)) }));
    at('bar').firstChild.style.inlineSize = `${100 * (1 - left / Math.max(all, 1))}%`;
    at('told').hidden = !s.away;
    at('next').hidden = !!s.away;
    const slept = Math.max(Math.round(s.away / 60000), 1);
    put('told', s.away ? t(slept === 1 ? 'away_one' : 'away', { minutes: slept }) : '');
    const main = at('led').querySelector('.main');
    if (main.firstChild.nodeValue !== t(paused ? 'go_on' : 'pause')) main.firstChild.nodeValue = t(paused ? 'go_on' : 'pause');
    at('led').dataset.stage = paused ? 'paused' : s.stage === 'work' && line.kind === 'do' ? 'hold' : 'gap';
    hear(s, line, paused, cue, whole, all);
  }

  // Milliseconds to the end of the class.
  function leftWhole(s, left) {
    const d = stage().dose, one = d.lift + d.hold + d.lower;
    const parts = led.parts(stage(), false);
    const here = s.stage === 'work' ? (d.reps - s.rep) * one + parts.slice(s.part + 1).reduce((sum, p) => sum + p[1], 0) : d.reps * one;
    return left + 1000 * (here + stages.slice(s.at + 1).reduce((sum, x) => sum + x.seconds, 0));
  }

  // Said and heard once, when it begins; the last seconds of a long part are heard, too.
  function hear(s, line, paused, cue, whole, all) {
    const name = `${s.at}.${s.rep}.${s.part}.${s.stage}.${cue}`;
    if (paused) {
      tell(s.away ? at('told').textContent : t('paused'));
    } else if (heard !== name) {
      heard = name;
      const work = line.kind === 'do' && s.stage === 'work';
      if (room.sound && (work || line.cues[0][1] === cue)) voice.beep(work ? [523, 784, 392][s.part] : 330, 0.2);
      speak(cue);
      if (!work || s.part === 0 || all >= 5000) tell(cue);
    }
    if (!paused && whole !== second && whole <= 3 && whole > 0 && all >= 5000 && room.sound) voice.beep(440, 0.08);
    second = whole;
  }

  function backToClass() {
    if (!room.led) return showOpening(0);
    paintLed();
    return undefined;
  }

  // ---------------------------------------------------------------- begin

  const does = {
    onward, read, led: backToClass,
    back: () => { voice.hush(); showOpening(room.page - 1); },
    anew: () => { Object.assign(room, { led: null, over: false }); showOpening(0); },
  };
  document.documentElement.classList.add('on');
  offerVoice();
  window.speechSynthesis?.addEventListener?.('voiceschanged', offerVoice);
  document.addEventListener('click', event => {
    const found = event.target.closest('[data-act]');
    if (found) does[found.dataset.act]();
    // After a tap, the keys are those of the class again, not those of the button.
    if (event.detail && event.target.closest('#led button')) at('what').focus({ preventScroll: true });
  });
  document.addEventListener('keydown', event => {
    if (!room.led || event.repeat || event.altKey || event.ctrlKey || event.metaKey) return;
    const onButton = event.target.closest('button');
    const act = { ' ': onButton ? null : pauseOrGo, [forward]: skip, [backward]: back, ArrowUp: high() ? null : again }[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  });
  document.addEventListener('visibilitychange', () => {
    if (document.hidden) { hidden = clock.now(); if (room.led) keep(); } else { tick(); hidden = 0; }
  });
  addEventListener('resize', fitHere);
  addEventListener('pagehide', () => { if (room.led) keep(); });

  recall();
  if (room.led) {
    advance();
    if (room.led) { voice.stayOn(true); paintLed(); } else { after(); }
  } else if (room.over) show('end');
  else showOpening(room.page);
  tick();
})(JSON.parse(document.getElementById('data').textContent));
