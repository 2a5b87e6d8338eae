// The screens: today, one exercise, the led session, pain, stop, diary, settings.
function start(page) {
  const { el, button, heading, lines, acts, note, tell } = view;
  const { lang } = page, plan = { ...page.plan, lines: page.lines };
  const live = document.getElementById('live');
  const settings = () => ({ sound: true, voice: false, buzz: true, wake: true, auto: false, lead: 5, ...store.data.settings });
  const book = () => store.diaryOf(plan);
  let hidden = 0, shown = '', beat = 0, second = -1, session = null;

  // ---------------------------------------------------------------- words

  const t = (key, values = {}) => {
    const text = page.words[key];
    if (text === undefined) throw new Error(`no words for ${key}`);
    return text.replace(/\{(\w+)\}/g, (_, name) => values[name]);
  };
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
    document.body.classList.toggle('leading', kind === 'led');
    show('live');
  }

  const go = {
    today() { shown = 'today'; document.body.classList.remove('leading'); paintToday(); show('today'); },
    stop() { shown = 'stop'; show('stop'); },
    diary() { showDiary(); },
    settings() { showSettings(); },
  };

  // ---------------------------------------------------------------- today

  // Why nothing may be led today, if so.
  function barred() {
    const day = clock.today();
    if (day > plan.ends) return t('over', { ends: dayWords(plan.ends) });
    if (day < plan.starts) return t('not_yet', { starts: dayWords(plan.starts) });
    if (book().lock) return t('locked', { day: dayWords(book().lock) });
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
  const easyDay = () => diary.worseAfter(book(), clock.today());

  function paintToday() {
    const now = document.getElementById('now'), why = barred(), over = clock.today() > plan.ends;
    const due_now = due().filter(i => !plan.lines[i].minutes);
    const seconds = due_now.reduce((sum, i) => sum + plan.lines[i].seconds, 0);
    const kids = [el('p', { class: 'place' }, dayWords(clock.today()))];
    document.getElementById('today').classList.toggle('over', over);
    if (!store.kept) kids.push(note(t('no_store'), 'warn'));
    if (why) kids.push(note(why, 'warn'));
    if (book().lock && !over) kids.push(acts(button(t('unlock'), askUnlock)), copyOf('boxes'));
    if (!why && clock.today() >= plan.review) kids.push(note(t('review_due')));
    if (!why && easyDay()) kids.push(note(t('less_today'), 'warn'));
    if (!why && session) {
      kids.push(note(t('half_read')), acts(button(t('carry_on'), () => paintLed(), 'big'), button(t('end_here'), endEarly)));
    } else if (!why && due_now.length) {
      kids.push(acts(button(t('start_all'), () => beforeStart(due_now), 'big')),
        el('p', {}, t('in_all', { minutes: Math.max(Math.ceil(seconds / 60), 1) })));
    } else if (!why && !due().length) {
      const done = book().sessions.some(s => s.on === clock.today());
      kids.push(note(t(done ? 'all_done' : 'nothing_due')));
    }
    if (!over) kids.push(el('ol', { class: 'list' }, plan.lines.map(todayLine)));
    now.replaceChildren(...kids);
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
    const may = !barred() && !session && stateOf(i).state === 'due';
    place.replaceChildren(...[may && button(t('start_one'), () => beforeStart([i]), 'big'),
      button(t('back_to_today'), go.today)].filter(Boolean));
    shown = 'exercise';
    show(`ex-${i}`);
  }

  function askUnlock() {
    screen('ask', heading(t('unlock')), el('p', {}, t('unlock_sure')), acts(
      button(t('yes_sure'), () => { book().lock = null; store.save(); go.today(); }),
      button(t('no_not_yet'), go.today)));
  }

  // ---------------------------------------------------------------- pain

  // One question for one foot; one tap answers it.
  function askPain(title, ask, which, then, more = []) {
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

  function askFeet(feet, title, ask, then, more) {
    const found = {};
    const next = () => {
      const side = feet[Object.keys(found).length];
      if (side === undefined) return then(found);
      return askPain(title, ask, page.feet[side], n => { found[side] = n; next(); }, more);
    };
    next();
  }

  function beforeStart(queue) {
    voice.wakeUp();
    const chosen = queue.map(i => plan.lines[i]);
    askFeet(pain.feetOf(chosen), t('before_title'), t('before_ask'), before => {
      const fresh = led.begin(plan, queue, easyDay(), before, clock.today());
      const worst = pain.worst(before.right, before.left);
      if (pain.zone(worst, plan) === 'stop') return stopNow(fresh, { why: 'pain' });
      return askSigns(() => {
        const begin = () => { session = fresh; keepLed(); paintLed(); };
        if (pain.zone(worst, plan) === 'care') careful(begin, go.today, t('end_here'));
        else begin();
      }, () => stopNow(fresh, { why: 'unwell', warning: true }));
    });
  }

  function askSigns(fine, bad) {
    const cautions = page.cautions.map(c => el('div', { class: 'box care' }, el('h2', {}, c.heading), lines(c.lines)));
    screen('ask', heading(t('signs_title')), lines([...page.stop.lines.slice(0, -1), ...page.help.lines.slice(0, -1)], 'signs'),
      cautions, acts(button(t('signs_none'), fine, 'big'), button(t('signs_yes'), bad, 'danger')));
  }

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
    book().lock = clock.today();
    session = null;
    keepLed();
    voice.hush();
    voice.stayOn(false);
    if (settings().buzz) voice.buzz([400, 200, 400]);
    screen('stopped', heading(t('stopped_title')), lines(page.stoppedLines), copyOf('boxes'),
      note(t('stopped_saved')), acts(button(t('back_to_today'), go.today)));
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
    if (session) session.seen = clock.now();
    store.data.led = session;
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

  function part(i, selector) {
    const node = document.querySelector(`#ex-${i} ${selector}`);
    return node ? node.cloneNode(true) : null;
  }

  function paintReady() {
    const index = session.queue[session.at], line = plan.lines[index];
    const kids = ['figure', '.dose', '.sizes', '.set_up', '.safety', '.steps', '.stopline'].map(s => part(index, s));
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
    led.startSet(session, plan, clock.now(), settings().lead);
    session.seen = clock.now();
    keepLed();
    paintLed();
    announce();
  }

  function backToAnswer() {
    const last = session.queue[session.at - 1], entry = session.entries[last];
    askFor(last, value => {
      entry.during = value;
      diary.keep(book(), session.on, entry);
      if (pain.zone(value, plan) === 'stop') return stopNow(session, { why: 'pain' });
      keepLed();
      return paintLed();
    });
  }

  function askFor(index, then, more) {
    const line = plan.lines[index];
    askPain(t('during_title'), t('during_ask'), `${line.title}: ${footWords(line)}`, then, more);
  }

  function paintTimer() {
    const index = session.queue[session.at], line = plan.lines[index], figure = part(index, 'figure');
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
    set('unit', !timed ? '' : t(long ? 'minutes_left' : 'seconds_left'));
    set('times', timesWords());
    at('bar').hidden = !timed;
    at('bar').firstChild.style.inlineSize = `${timed ? 100 * (1 - left / all) : 0}%`;
    at('told').hidden = !session.away;
    set('told', session.away ? t('away', { minutes: Math.max(Math.round(session.away / 60000), 1) }) : '');
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
      tell(session.away ? t('away', { minutes: Math.max(Math.round(session.away / 60000), 1) }) : `${timesWords()}. ${words}`);
    }
  }

  function tick() {
    clearTimeout(beat);
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
    askFor(index, done, [button(t('sharp'), () => stopNow(session, { why: 'pain', sharp: true }), 'danger')]);
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
    }, [button(t('sharp'), () => stopNow(session, { why: 'pain', sharp: true }), 'danger')]);
  }

  function askWhy() {
    led.pause(session, clock.now());
    keepLed();
    const reasons = ['pain', 'no_time', 'forgot', 'unwell', 'no_kit', 'unsure', 'other'];
    screen('ask', heading(t('why_title')), acts(
      reasons.map(why => button(t(`why_${why}`), () => (why === 'pain' ? askDuringSkip() : finishLine({ why })))),
      button(t('why_back'), paintLed, 'big')));
  }

  // It hurt: how much? It may be a reason to stop.
  function askDuringSkip() {
    askFor(session.queue[session.at], value => {
      session.during = pain.worst(session.during, value);
      if (pain.zone(value, plan) === 'stop') return stopNow(session, { why: 'pain' });
      return finishLine({ why: 'pain' });
    }, [button(t('sharp'), () => stopNow(session, { why: 'pain', sharp: true }), 'danger')]);
  }

  function finishLine(extra) {
    const care = session.during !== null && pain.zone(session.during, plan) === 'care';
    diary.keep(book(), session.on, led.finishLine(session, plan, extra));
    keepLed();
    if (care && session.stage !== 'done') careful(paintLed, endEarly, t('end_here'));
    else paintLed();
  }

  // What was not reached stays unwritten, so that it can still be done today.
  function endEarly() {
    if (session.did) diary.keep(book(), session.on, led.entryOf(session, plan, {}));
    session = null;
    keepLed();
    voice.hush();
    voice.stayOn(false);
    go.today();
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

  function askMorning(last) {
    const chosen = last.entries.filter(e => e.done !== 'none').map(e => plan.lines[e.line]);
    const end = byFoot => {
      last.asked = true;
      last.entries.forEach(e => { e.morning = pain.ofLine(plan.lines[e.line], byFoot); });
      const worst = pain.worst(byFoot.right, byFoot.left);
      if (worst !== null && pain.zone(worst, plan) === 'stop') {
        book().lock = clock.today();
        store.save();
        return screen('stopped', heading(t('stopped_title')), lines(page.stoppedLines), copyOf('boxes'),
          acts(button(t('back_to_today'), go.today)));
      }
      store.save();
      return go.today();
    };
    askFeet(pain.feetOf(chosen), t('morning_title'), t('morning_ask', { day: dayWords(last.on) }), end,
      [button(t('do_not_know'), () => end({}))]);
  }

  // ---------------------------------------------------------------- diary

  const painWords = e => [['before', e.before], ['during', e.during], ['morning', e.morning]]
    .filter(p => p[1] != null).map(([when, n]) => `${t(`${when}_short`)} ${n}`).join(', ');

  function showDiary() {
    const all = book().sessions.filter(s => s.entries.length), last = all.slice(-diary.SHOWN);
    const label = s => s.on.slice(8).replace(/^0/, '') + '.';
    const kids = [heading(t('diary'))];
    if (!store.kept) kids.push(note(t('no_store'), 'warn'));
    if (!all.length) kids.push(el('p', {}, t('no_entries')));
    else {
      for (const side of pain.feetOf(plan.lines)) {
        const values = last.map(s => {
          const felt = s.entries.filter(e => plan.lines[e.line].both || plan.lines[e.line].side === side);
          const value = pain.worst(...felt.map(e => e.during));
          return value === null ? null : { value, label: label(s), look: pain.zone(value, plan) };
        }).filter(Boolean);
        if (values.length) kids.push(diary.bars(values, 10, `${t('chart_pain')}: ${page.feet[side]}`, page.ends));
      }
      kids.push(diary.bars(last.map(s => ({ value: s.entries.filter(e => e.done !== 'none').length, label: label(s) })),
        plan.lines.length, t('chart_done'), null));
      kids.push(el('h2', {}, t('chart_say')), el('ol', { class: 'days' }, [...all].reverse().map(dayOf)));
    }
    [book(), ...store.others(plan)].filter(b => diary.open(b).length)
      .forEach((b, i) => kids.push(handOver(b, `log${i || ''}`)));
    kids.push(acts(button(t('back_to_today'), go.today)));
    screen('diary', ...kids);
  }

  function dayOf(s) {
    return el('li', {}, el('h3', {}, dayWords(s.on)), el('ul', {}, s.entries.map(e => {
      const line = plan.lines[e.line], why = e.why ? `: ${t(`why_${e.why}`)}` : '', felt = painWords(e);
      return el('li', {}, `${line.title}, ${footWords(line)}. ${t(e.done)}${why}.${felt ? ` ${t('pain_was', { told: felt })}` : ''}`);
    })));
  }

  function handOver(from, id) {
    const text = diary.text(from.plan, from), earlier = from !== book();
    const area = el('textarea', { id, rows: '5', readOnly: true, value: text, spellcheck: 'false', dir: 'ltr' });
    const file = el('a', { class: 'button', download: 'diary.txt', href: URL.createObjectURL(new Blob([`${text}\n`], { type: 'text/plain' })) }, t('send_file'));
    const told = el('p', { class: 'note', hidden: true });
    const tellHere = words => { told.hidden = false; told.textContent = words; tell(words); };
    const copy = async () => {
      try {
        if (navigator.clipboard) await navigator.clipboard.writeText(text);
        else { area.select(); if (!document.execCommand('copy')) throw new Error('refused'); }
        tellHere(t('send_copied'));
      } catch { area.focus(); area.select(); tellHere(t('send_not_copied')); }
    };
    const share = async () => {
      try { await navigator.share({ text }); } catch (error) { if (error.name !== 'AbortError') copy(); }
    };
    const done = () => { diary.given(from); store.save(); showDiary(); tell(t('send_marked')); };
    return el('div', { class: 'box' }, el('h2', {}, t('send_title')), earlier ? el('p', {}, t('earlier')) : null, lines(page.sendLines),
      el('label', { for: id }, t('send_code')), area,
      acts(button(t('send_copy'), copy), file, navigator.share ? button(t('send_share'), share) : null, button(t('send_given'), done)), told);
  }

  // ---------------------------------------------------------------- settings

  function showSettings() {
    const now = settings();
    const change = (name, value) => { store.data.settings[name] = value; store.save(); };
    const choice = name => el('label', { class: 'choice' },
      el('input', { type: 'checkbox', checked: now[name], change: e => change(name, e.target.checked) }), el('span', {}, t(name)));
    const leads = el('select', { id: 'lead', change: e => change('lead', Number(e.target.value)) },
      [5, 10, 20, 30, 60].map(n => el('option', { value: String(n) }, t('seconds_n', { n }))));
    leads.value = String(now.lead);
    const missing = [...Object.keys(voice.able).filter(k => !voice.able[k]), ...(navigator.share ? [] : ['share'])];
    screen('settings', heading(t('settings')), store.kept ? null : note(t('no_store'), 'warn'),
      ['sound', 'voice', 'buzz', 'wake', 'auto'].map(choice),
      el('p', { class: 'field' }, el('label', { for: 'lead' }, t('lead')), leads),
      missing.length ? note(t('cannot', { what: missing.map(k => t(`what_${k}`)).join(', ') })) : null,
      el('div', { class: 'box' }, el('h2', {}, t('erase_title')), lines(page.eraseLines), acts(button(t('erase'), askErase, 'danger'))),
      acts(button(t('back_to_today'), go.today)));
  }

  function askErase() {
    screen('ask', heading(t('erase_title')), lines(page.eraseLines), acts(
      button(t('erase_sure'), () => {
        session = null;
        store.erase();
        screen('done', heading(t('erased')), acts(button(t('back_to_today'), go.today)));
      }, 'danger'), button(t('keep'), showSettings)));
  }

  // ---------------------------------------------------------------- begin

  document.documentElement.classList.add('on');
  document.querySelectorAll('nav button').forEach(b => b.addEventListener('click', go[b.dataset.to]));
  document.querySelectorAll('[data-go=stop]').forEach(b => b.addEventListener('click', go.stop));
  document.addEventListener('visibilitychange', () => {
    if (document.hidden) { hidden = clock.now(); keepLed(); } else { tick(); hidden = 0; dayTurned(); }
  });
  addEventListener('pagehide', keepLed);

  // The page was left open overnight.
  let day = clock.today();
  function dayTurned() {
    if (day !== clock.today()) { day = clock.today(); opened(); }
  }

  function opened() {
    const kept = store.data.led;
    session = kept && kept.plan === `${plan.number}.${plan.version}` ? kept : null;
    if (session && (session.on !== day || barred())) {
      if (session.did) diary.keep(book(), session.on, led.entryOf(session, plan, {}));
      session = null;
      keepLed();
    }
    const morning = barred() ? null : diary.morningDue(book(), day);
    if (session) { led.tick(session, plan, clock.now(), 0, settings().auto); paintLed(); }
    else if (morning) askMorning(morning);
    else go.today();
  }

  opened();
  tick();
}
