// The screens: today, one exercise, the led session, pain, stop, diary, settings.
function start(page) {
  const { el, button, heading, lines, acts, note, tell } = view;
  const { lang } = page, plan = { ...page.plan, lines: page.lines };
  const live = document.getElementById('live');
  const settings = () => ({ sound: true, voice: false, buzz: true, wake: true, auto: false, lead: 5, ...store.data.settings });
  const book = () => store.diaryOf(plan), books = () => [book(), ...store.others(plan)];
  const me = Math.random(); // this window: only one leads
  const SETTLE_MS = 500; // a second tap of the same finger is no answer to a new question
  let hidden = 0, shown = '', beat = 0, second = -1, session = null, asked = 0, before = '', morning = null;

  // ---------------------------------------------------------------- words

  const t = (key, values = {}) => {
    const text = page.words[key];
    if (text === undefined) throw new Error(`no words for ${key}`);
    return text.replace(/\{(\w+)\}/g, (_, name) => values[name]);
  };
  const many = (key, n, values) => t(n === 1 ? `${key}_one` : key, values);
  const dayWords = iso => {
    const [year, month, day] = iso.split('-').map(Number);
    return t('date_long', { day, month: page.months[month - 1], year });
  };
  const footWords = line => line.which;
  const move = (line, part) =>
    page.words[`move.${line.family}.${part}`] ?? page.words[part];

  // ---------------------------------------------------------------- which screen

  function show(name, focus = true) {
    document.querySelectorAll('[data-screen]').forEach(s => s.classList.toggle('here', s.id === name));
    document.querySelectorAll('nav button').forEach(b => {
      if (b.dataset.to === (shown || name)) b.setAttribute('aria-current', 'page');
      else b.removeAttribute('aria-current');
    });
    const title = document.querySelector(`#${name} h1`);
    document.title = title.textContent;
    if (!focus) return;
    scrollTo(0, 0);
    title.focus();
  }

  function screen(kind, ...kids) {
    live.replaceChildren(...kids.flat().filter(Boolean));
    live.className = kind;
    shown = kind;
    document.body.classList.toggle('leading', kind === 'led' || kind === 'ask');
    if (kind === 'led' || kind === 'ask') asked = clock.now();
    if (!store.kept && (kind === 'led' || kind === 'done')) live.querySelector('h1').after(note(t('no_store'), 'warn'));
    show('live');
  }

  const go = {
    today() {
      if (session) return paintLed();
      if (morningAsked()) return undefined;
      shown = 'today';
      document.body.classList.remove('leading');
      paintToday();
      return show('today');
    },
    stop() { shown = 'stop'; show('stop'); },
    diary() { written.show(); },
    settings() { chosen.show(); },
  };

  const written = record({ page, plan, t, dayWords, book, screen, home: go.today });
  const chosen = options({ page, t, settings, screen, home: go.today, erase() { session = morning = null; store.erase(clock.today()); } });

  // ---------------------------------------------------------------- today

  // Why nothing may be led today, if so.
  function barred() {
    const day = clock.today();
    if (day > plan.ends) return t('over', { ends: dayWords(plan.ends) });
    if (day < plan.starts) return t('not_yet', { starts: dayWords(plan.starts) });
    if (book().lock) return t('locked', { day: dayWords(book().lock) });
    if (store.others(plan).some(b => b.plan.version > plan.version)) return t('newer_here');
    if (book().erased === day) return t('erased_today');
    return '';
  }

  // Whoever gets a new plan after today's set has done enough for today.
  function stateOf(i) {
    const day = clock.today(), found = diary.stateOf(plan, book(), i, day);
    const before = store.others(plan).some(b => b.sessions.some(s => s.on === day && s.entries.some(e => e.done !== 'none')));
    return before && found.state === 'due' ? { ...found, state: 'done' } : found;
  }

  const due = () => plan.lines.map((_, i) => i)
    .filter(i => stateOf(i).state === 'due');
  const easyDay = () => books().some(b => diary.worseAfter(b, clock.today()));

  function paintToday() {
    const now = document.getElementById('now'), why = barred(), over = clock.today() > plan.ends;
    const due_now = due().filter(i => !plan.lines[i].minutes);
    const seconds = due_now.reduce((sum, i) => sum + plan.lines[i].seconds, 0);
    const kids = [el('p', { class: 'place' }, dayWords(clock.today()))];
    document.getElementById('today').classList.toggle('over', over);
    if (!store.kept) kids.push(note(t('no_store'), 'warn'));
    if (why) kids.push(note(why, 'warn'));
    if (book().lock && !over) kids.push(acts(button(t('unlock'), askUnlock)), copyOf('boxes'));
    if (over) kids.push(part('stop', '.acts'));
    if (!why && clock.today() >= plan.review) kids.push(note(t('review_due')));
    if (!why && easyDay()) kids.push(note(t('less_today'), 'warn'));
    if (morning) kids.push(note(t('morning_kept', { told: morning.told })), acts(button(t('change'), askAgain)));
    if (!why && book().led) {
      kids.push(note(t('elsewhere')), acts(button(t('carry_on'), () => opened(true), 'big')));
    } else if (!why && due_now.length) {
      const minutes = Math.max(Math.ceil(seconds / 60), 1);
      kids.push(acts(button(t('start_all'), () => beforeStart(due_now), 'big')), el('p', {}, many('in_all', minutes, { minutes })));
    } else if (!why && !due().length) {
      const done = book().sessions.some(s => s.on === clock.today());
      kids.push(note(t(done ? 'all_done' : 'nothing_due')));
    }
    if (!over) kids.push(el('ol', { class: 'list' }, plan.lines.map(todayLine)));
    now.replaceChildren(...kids.filter(Boolean));
  }

  function todayLine(line, i) {
    const { state, times, per } = stateOf(i);
    const bar = barred(), label = { due: line.minutes ? 'other_time' : 'due', done: 'done_today', week: 'week_done', off: 'day_off' }[state];
    const tap = () => showExercise(i);
    return el('li', {}, el('button', { type: 'button', class: `row ${bar ? '' : state}`, tap },
      el('span', { class: 'what' }, line.title), el('span', { class: 'which' }, footWords(line)),
      bar ? null : el('span', { class: 'state' }, state === 'done' ? '✓ ' : '', t(label)),
      bar ? null : el('span', { class: 'small' }, t('week_count', { n: times, of: per }))));
  }

  function showExercise(i) {
    const place = document.querySelector(`#ex-${i} .acts`);
    const may = !barred() && !book().led && stateOf(i).state === 'due';
    place.replaceChildren(...[may && button(t('start_one'), () => beforeStart([i]), 'big'),
      may && button(t('could_not'), () => couldNot(i)), button(t('back_to_today'), go.today)].filter(Boolean));
    shown = 'exercise';
    show(`ex-${i}`);
  }

  // Not begun, and why: pain and illness are looked into, the rest is written down.
  function couldNot(i) {
    const none = led.begin(plan, [i], false, {}, clock.today());
    askReason(t('why_not_title'), none, extra => {
      diary.keep(book(), none.on, led.entryOf(none, plan, extra));
      store.save();
      go.today();
      tell(t('written'));
    }, () => showExercise(i));
  }

  function askUnlock() {
    screen('ask', heading(t('unlock')), el('p', {}, t('unlock_sure')), acts(
      button(t('yes_sure'), () => { book().lock = null; store.save(); go.today(); }),
      button(t('no_not_yet'), go.today)));
  }

  // ---------------------------------------------------------------- pain

  // One question for one foot; one tap answers it.
  function askPain(title, ask, which, then, more = []) {
    before = store.copy();
    const pad = el('div', { class: 'pad', role: 'group', 'aria-label': ask });
    for (let n = 0; n <= 10; n++) {
      const word = n === 0 ? t('no_pain') : n === 10 ? t('worst_pain') : '';
      pad.append(el('button', { type: 'button', class: pain.zone(n, plan), tap: () => then(n), 'data-pain': n },
        el('b', {}, String(n)), word ? el('span', {}, ` ${word}`) : null));
    }
    const rule = el('dl', { class: 'rule' }, page.pain.map(([range, what], i) =>
      el('div', { class: ['go', 'care', 'stop'][i] }, el('dt', {}, range), el('dd', {}, what))));
    screen('ask', heading(title), which ? el('p', { class: 'foot' }, which) : null,
      el('p', { class: 'ask' }, ask), pad, acts(more), rule);
  }

  function askFeet(feet, title, ask, then, more, back) {
    const found = {};
    const next = i => {
      if (i === feet.length) return then(found);
      const last = i ? () => next(i - 1) : back;
      return askPain(title, ask, page.feet[feet[i]], n => { found[feet[i]] = n; next(i + 1); },
        [...more, last && button(t('back'), last)]);
    };
    next(0);
  }

  function beforeStart(queue) {
    voice.wakeUp();
    if (day !== clock.today() || barred() || book().led) return opened();
    if (morningAsked()) return undefined;
    morning = null;
    const feet = pain.feetOf(queue.map(i => plan.lines[i]));
    return askFeet(feet, t('before_title'), t('before_ask'), felt => {
      const fresh = led.begin(plan, queue, easyDay(), felt, clock.today());
      const worst = pain.worst(felt.right, felt.left);
      if (pain.zone(worst, plan) === 'stop') return stopNow(fresh, { why: 'pain' });
      return askSigns(() => {
        const begin = () => { session = fresh; keepLed(); paintLed(); };
        if (pain.zone(worst, plan) === 'care') careful(begin, go.today, t('end_here'));
        else begin();
      }, () => stopNow(fresh, { why: 'unwell', warning: true }), () => beforeStart(queue));
    }, [], go.today);
  }

  function askSigns(fine, bad, back) {
    before = store.copy();
    const cautions = page.cautions.map(c => el('div', { class: 'box care' }, el('h2', {}, c.heading), lines(c.lines)));
    screen('ask', heading(t('signs_title')), lines([...page.stop.lines.slice(0, -1), ...page.help.lines.slice(0, -1)], 'signs'),
      cautions, acts(button(t('signs_none'), fine, 'big'), button(t('signs_yes'), bad, 'danger'), button(t('back'), back)));
  }

  // What stops at once, whatever the number: sharp pain or locking, or a sign that was not there before.
  const alarms = (again, halt) => [button(t('sharp'), () => halt({ why: 'pain', sharp: true }), 'danger'),
    button(t('new_sign'), () => askSigns(again, () => halt({ why: 'unwell', warning: true }), again), 'danger')];

  function careful(on, end, endWords) {
    screen('ask', heading(t('care_title')), lines(page.careLines),
      acts(button(t('gently_on'), on, 'big'), button(endWords, end)));
  }

  function stopNow(s, extra) {
    // What was under way holds why it was stopped; what would have come next was not done.
    const rest = s.queue.slice(s.at);
    rest.forEach((index, i) => {
      const entry = i === 0 ? led.entryOf(s, plan, extra)
        : { ...led.entryOf({ ...s, did: null, during: null, at: s.at + i }, plan, {}), why: extra.why };
      diary.keep(book(), s.on, entry);
    });
    session = null;
    halted();
  }

  // Nothing more is led until the therapist has been asked: by this programme, nor by the one whose
  // morning was bad. A wrong tap is taken back from here, and from here only.
  function halted(from = book()) {
    const was = before;
    from.lock = book().lock = clock.today();
    morning = null;
    keepLed();
    voice.hush();
    voice.stayOn(false);
    if (settings().buzz) voice.buzz([400, 200, 400]);
    screen('stopped', heading(t('stopped_title')), lines(page.stoppedLines), copyOf('boxes'),
      store.kept ? note(t('stopped_saved')) : note(t('no_store'), 'warn'), acts(button(t('back_to_today'), go.today),
        button(t('wrong_tap'), () => { store.restore(was); opened(); })));
    tell(t('stopped_title'));
  }

  function copyOf(id) {
    const copy = document.getElementById(id).cloneNode(true);
    copy.removeAttribute('id');
    copy.querySelectorAll('[id]').forEach(node => node.removeAttribute('id'));
    return copy;
  }

  // ---------------------------------------------------------------- led session

  function keepLed() {
    if (session) Object.assign(session, { seen: clock.now(), by: me });
    book().led = session;
    store.save();
  }

  const stageOf = s => (['lead', 'work', 'settle', 'rest', 'wait'].includes(s.stage) ? 'timer' : s.stage);

  function paintLed() {
    const stage = stageOf(session);
    voice.stayOn(settings().wake && stage === 'timer');
    if (stage === 'ready') return paintReady();
    if (stage === 'timer') return paintTimer();
    if (stage === 'ask') return askDuring();
    return paintDone();
  }

  function part(id, selector) {
    const node = document.querySelector(`#${id} ${selector}`);
    return node ? node.cloneNode(true) : null;
  }

  function paintReady() {
    const index = session.queue[session.at], line = plan.lines[index];
    const kids = ['figure', '.dose', '.sizes', '.set_up', '.safety', '.steps', '.stopline'].map(s => part(`ex-${index}`, s));
    screen('led', el('p', { class: 'place' }, t('exercise_no', { n: session.at + 1, of: session.queue.length })),
      heading(line.title), el('p', { class: 'foot' }, footWords(line)),
      session.easy ? note(t('less_today'), 'warn') : null,
      acts(button(t('start'), startNow, 'big')), kids,
      acts(button(t('start'), startNow, 'big'), session.at ? button(t('back'), backToAnswer) : null,
        button(t('skip'), askWhy), button(t('it_hurts'), hurts, 'danger'), button(t('end_here'), endEarly)));
    tell(`${line.title}. ${footWords(line)}`);
  }

  function startNow() {
    voice.wakeUp();
    if (session.on !== clock.today() || barred()) return opened();
    led.startSet(session, plan, clock.now(), settings().lead);
    session.seen = clock.now();
    keepLed();
    paintLed();
    return announce();
  }

  function backToAnswer() {
    const last = session.queue[session.at - 1], entry = session.entries[last];
    askFor(last, value => {
      entry.during = value;
      diary.keep(book(), session.on, entry, true);
      if (pain.zone(value, plan) === 'stop') return stopNow(session, { why: 'pain' });
      keepLed();
      return paintLed();
    }, [button(t('back'), paintLed)]);
  }

  function askFor(index, then, more) {
    const line = plan.lines[index];
    askPain(t('during_title'), t('during_ask'), `${line.title}: ${footWords(line)}`, then, more);
  }

  function paintTimer() {
    const index = session.queue[session.at], line = plan.lines[index], figure = part(`ex-${index}`, 'figure');
    screen('led', heading(`${line.title}: ${footWords(line)}`), figure,
      el('div', { class: 'now' }, el('p', { id: 'phase' }), el('p', { id: 'count', role: 'timer' }),
        el('p', { id: 'unit' }), el('div', { id: 'bar' }, el('div', {}))),
      el('p', { id: 'times' }), el('p', { id: 'told', class: 'note', hidden: true }),
      el('div', { class: 'acts two' }, button('', mainAct, 'big main'), button(t('it_hurts'), hurts, 'danger')),
      acts(button(t('back'), () => { led.back(session, plan, clock.now(), settings().lead); after(); }),
        button(t('again'), () => { led.repeat(session, plan, clock.now(), settings().lead); after(); }),
        button(t('skip'), askWhy), button(t('end_here'), endEarly)));
    second = -1;
    paintTime();
  }

  function after() {
    keepLed();
    if (session && (stageOf(session) !== 'timer' || !document.getElementById('phase'))) paintLed();
    else paintTime();
    announce();
  }

  function mainAct() {
    voice.wakeUp();
    const now = clock.now();
    if (session.stage === 'settle' || session.stage === 'wait') led.startSet(session, plan, now, settings().lead);
    else if (session.left !== null) led.resume(session, now);
    else { led.pause(session, now); voice.hush(); }
    session.seen = now;
    after();
  }

  function phaseWords() {
    const line = led.lineOf(session, plan);
    if (session.stage === 'lead') return t('get_set');
    if (session.stage === 'rest') return t('rest');
    if (session.stage === 'wait') return t('rest_over');
    if (session.stage === 'settle') return t('ready_again');
    return move(line, led.parts(line, session.easy)[session.part][0]);
  }

  function timesWords() {
    const line = led.lineOf(session, plan), many = led.amount(line, session.easy);
    const set = many.sets > 1 ? `${t('set_of', { n: session.set, of: many.sets })}. ` : '';
    return line.minutes ? '' : set + t('times_of', { n: session.rep, of: many.reps });
  }

  function awayWords() {
    const minutes = Math.max(Math.round(session.away / 60000), 1);
    return many('away', minutes, { minutes });
  }

  function paintTime() {
    if (!session || !document.getElementById('phase')) return;
    const at = id => document.getElementById(id), set = (id, text) => {
      if (at(id).textContent !== text) at(id).textContent = text;
    };
    const timed = ['lead', 'work', 'rest'].includes(session.stage), paused = session.left !== null;
    const left = led.leftOf(session, clock.now()), all = timed ? led.partSeconds(session, plan) * 1000 : 1;
    const whole = Math.ceil(left / 1000 - 1e-6), long = all >= 120000;
    set('phase', paused ? t('paused') : phaseWords());
    set('count', !timed ? '' : long ? `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, '0')}` : String(whole));
    set('unit', !timed ? '' : long ? t('minutes_left') : many('seconds_left', whole));
    set('times', timesWords());
    at('bar').hidden = !timed;
    at('bar').firstChild.style.inlineSize = `${timed ? 100 * (1 - left / all) : 0}%`;
    at('told').hidden = !session.away;
    set('told', session.away ? awayWords() : '');
    live.querySelector('.main').textContent = session.stage === 'wait' ? t('next_set')
      : session.stage === 'settle' ? t('next_rep') : t(paused ? 'go_on' : 'pause');
    live.dataset.stage = paused ? 'paused' : session.stage === 'work' ? phaseName() : session.stage;
    if (timed && !paused && whole !== second && whole <= 3 && whole > 0 && all >= 5000) {
      if (settings().sound) voice.beep(440, 0.08);
      if (settings().voice) voice.say(String(whole), lang);
    }
    second = whole;
  }

  const phaseName = () => led.parts(led.lineOf(session, plan), session.easy)[session.part][0];

  // A new part has begun: heard, felt, and for a screen reader once for each time, not each second.
  function announce() {
    if (!session || stageOf(session) !== 'timer') return;
    const now = settings(), words = session.left === null ? phaseWords() : t('paused');
    const begins = session.stage === 'work' && session.part === 0;
    if (now.sound && session.left === null) voice.beep(session.stage === 'work' ? [523, 784, 392][session.part] : 330, 0.2);
    if (now.buzz && session.left === null) voice.buzz(session.stage === 'work' ? 80 : 200);
    if (now.voice) voice.say(begins ? `${session.rep}. ${words}` : words, lang);
    if (begins || session.stage !== 'work' || led.partSeconds(session, plan) >= 5) {
      tell(session.away ? awayWords() : `${timesWords()}. ${words}`);
    }
  }

  function tick() {
    clearTimeout(beat);
    if (!stale() && !session && shown !== 'stopped') dayTurned();
    if (session) {
      const changed = led.tick(session, plan, clock.now(), hidden, settings().auto);
      if (changed) after();
      else paintTime();
    }
    const left = session && led.timed(session) ? led.leftOf(session, clock.now()) : 250;
    beat = setTimeout(tick, Math.max(Math.min(left, (left % 1000) || 250, 250), 4));
  }

  function askDuring() {
    const index = session.queue[session.at];
    const done = value => {
      session.during = pain.worst(session.during, value);
      if (pain.zone(session.during, plan) === 'stop') return stopNow(session, { why: 'pain' });
      return finishLine({});
    };
    askFor(index, done, alarms(paintLed, extra => stopNow(session, extra)));
  }

  function hurts() {
    const line = led.lineOf(session, plan), back = session.stage;
    led.pause(session, clock.now());
    keepLed();
    askPain(t('it_hurts'), t('hurts_ask'), `${line.title}: ${footWords(line)}`, value => {
      session.during = pain.worst(session.during, value);
      if (pain.zone(value, plan) === 'stop') return stopNow(session, { why: 'pain' });
      keepLed();
      return careful(() => { session.stage = back; paintLed(); },
        () => finishLine({ why: 'pain' }), t('end_exercise'));
    }, [...alarms(paintLed, extra => stopNow(session, extra)), button(t('back'), paintLed)]);
  }

  function askWhy() {
    led.pause(session, clock.now());
    keepLed();
    askReason(t('why_title'), session, finishLine, paintLed);
  }

  // Why the exercise under way in s is not done. Pain and illness may be a reason to stop.
  function askReason(title, s, then, back) {
    const halt = extra => stopNow(s, extra);
    const hurt = () => askFor(s.queue[s.at], value => {
      s.during = pain.worst(s.during, value);
      if (pain.zone(s.during, plan) === 'stop') return halt({ why: 'pain' });
      return then({ why: 'pain' });
    }, alarms(back, halt));
    const gone = why => leaving(s, () => then({ why }), back);
    const ill = () => askSigns(() => gone('unwell'), () => halt({ why: 'unwell', warning: true }), back);
    const reasons = ['pain', 'no_time', 'forgot', 'unwell', 'no_kit', 'unsure', 'other'];
    screen('ask', heading(title), acts(
      reasons.map(why => button(t(`why_${why}`), { pain: hurt, unwell: ill }[why] || (() => gone(why)))),
      button(t('why_back'), back, 'big')));
  }

  function finishLine(extra) {
    const care = session.during !== null && pain.zone(session.during, plan) === 'care';
    diary.keep(book(), session.on, led.finishLine(session, plan, extra));
    keepLed();
    if (care && session.stage !== 'done') careful(paintLed, endEarly, t('end_here'));
    else paintLed();
  }

  // Whoever leaves an exercise that was begun is asked how much it hurt.
  function leaving(s, then, back) {
    if (!s.did) return then();
    return askFor(s.queue[s.at], value => {
      s.during = pain.worst(s.during, value);
      if (pain.zone(s.during, plan) === 'stop') return stopNow(s, { why: 'pain' });
      return then();
    }, [...alarms(back, extra => stopNow(s, extra)), button(t('back'), back)]);
  }

  // What was not reached stays unwritten, so that it can still be done today.
  function endEarly() {
    led.pause(session, clock.now());
    keepLed();
    voice.hush();
    leaving(session, () => {
      if (session.did) diary.keep(book(), session.on, led.entryOf(session, plan, {}));
      session = null;
      keepLed();
      voice.stayOn(false);
      go.today();
    }, paintLed);
  }

  function paintDone() {
    session = null;
    keepLed();
    voice.stayOn(false);
    screen('done', heading(t('done_title')), lines(page.doneLines),
      acts(button(t('diary'), go.diary), button(t('back_to_today'), go.today, 'big')));
    if (settings().voice) voice.say(t('done_title'), lang);
    tell(t('done_title'));
  }

  // ---------------------------------------------------------------- next morning

  // Of this programme, or of the one before it when that ended yesterday. Whether anything is asked.
  function morningAsked() {
    const [from, on] = books().map(b => [b, diary.morningDue(b, clock.today())]).find(pair => pair[1]) || [];
    if (from) askMorning(from, on);
    return Boolean(from);
  }

  function askMorning(from, on) {
    const found = from.sessions.filter(s => s.on === on).flatMap(s => s.entries).filter(diary.feltNext);
    const answer = (byFoot, extra = {}) => {
      const last = diary.reopen(from, on);
      last.asked = true;
      last.entries.filter(diary.feltNext).forEach(e => {
        e.morning = pain.ofLine(from.plan.lines[e.line], byFoot);
        e.sharp ||= Boolean(extra.sharp);
        e.warning ||= Boolean(extra.warning);
      });
      store.save();
    };
    const end = byFoot => {
      answer(byFoot);
      const worst = pain.worst(byFoot.right, byFoot.left);
      if (worst !== null && pain.zone(worst, plan) === 'stop') return halted(from);
      const told = Object.entries(byFoot).map(([side, n]) => `${page.feet[side]} ${n}`).join(', ') || t('do_not_know');
      morning = { from, on, told };
      return go.today();
    };
    const halt = extra => { answer({}, extra); halted(from); };
    const more = [...alarms(() => askMorning(from, on), halt), button(t('do_not_know'), () => end({}))];
    askFeet(pain.feetOf(found.map(e => from.plan.lines[e.line])), t('morning_title'), t('morning_ask', { day: dayWords(on) }), end, more);
  }

  function askAgain() {
    const { from, on } = morning;
    morning = null;
    askMorning(from, on);
  }

  // ---------------------------------------------------------------- begin

  document.documentElement.classList.add('on');
  document.querySelectorAll('nav button').forEach(b => b.addEventListener('click', go[b.dataset.to]));
  document.addEventListener('visibilitychange', () => {
    if (document.hidden) { hidden = clock.now(); leave(); } else { stale(); tick(); hidden = 0; dayTurned(); }
  });
  addEventListener('pagehide', leave);
  addEventListener('storage', stale);
  addEventListener('hashchange', () => { if (location.hash === '#morning') opened(); });
  document.addEventListener('click', event => {
    const soon = event.detail && clock.now() - asked < SETTLE_MS && live.contains(event.target);
    if (soon || stale()) { event.preventDefault(); event.stopPropagation(); }
  }, true);

  function leave() {
    if (session && !store.stale()) keepLed();
  }

  // The same page may be used in another window, too: what that one wrote counts.
  function stale() {
    if (!store.stale()) return false;
    store.read();
    opened();
    return true;
  }

  // The page was left open overnight.
  let day = clock.today();
  function dayTurned() {
    if (day !== clock.today()) opened();
  }

  // What another window leads is carried on here only if that is wished, or when the page is loaded.
  function opened(here = false) {
    day = clock.today();
    morning = null;
    // Half led on another day, or by another version: what was done of it counts.
    for (const b of books().filter(found => found.led && (found !== book() || found.led.on !== day || barred()))) {
      if (b.led.did) diary.keep(b, b.led.on, led.entryOf(b.led, b.plan, {}));
      b.led = null;
    }
    session = here || book().led?.by === me ? book().led : null;
    if (session) {
      led.woken(session, plan, clock.now());
      led.tick(session, plan, clock.now(), hidden, settings().auto);
      keepLed();
    } else store.save();
    go.today();
  }

  opened(true);
  tick();
}
