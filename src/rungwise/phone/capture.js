// Measure with the phone: choose, place it, count down, record, and say what was found. What was
// felt stays in this page until it is closed; it leaves only as a file that the patient takes.
(page => {
  const { el, note, tell } = view;
  const at = id => document.getElementById(id);
  const t = (key, values = {}) => page.words[key].replace(/\{(\w+)\}/g, (_, name) => values[name]);
  const many = (key, n) => (n === 1 ? t(`${key}_one`) : t(key, { n }));
  const shown = (value, digits = 1) => value.toFixed(digits).replace('.', page.decimal);
  const MOST_SAMPLES = 100000;
  const HEAD = ['time[s]', 'x[m/s2]', 'y[m/s2]', 'z[m/s2]', 'gx[rad/s]', 'gy[rad/s]', 'gz[rad/s]'];
  const NAMES = { heel_raise: 'heel-raises', balance: 'balance', other: 'movement' };
  // Kept as they are written to the file, so that page and file say the same.
  const TIME_DIGITS = 4, DIGITS = 5;
  const RADIANS = Math.PI / 180;
  let kind = '', foot = '', run = null, beat = 0, file = null;

  // ---------------------------------------------------------------- which screen

  function show(name, title) {
    document.querySelectorAll('[data-screen]').forEach(screen => screen.classList.toggle('here', screen.id === name));
    const head = at(name).querySelector('h1');
    if (title) head.textContent = title;
    document.title = head.textContent;
    scrollTo(0, 0);
    head.focus({ preventScroll: true });
  }

  function home() {
    leave();
    show('home');
  }

  function ready(which) {
    leave();
    kind = which || kind;
    const screen = at(`ready-${kind}`);
    // No foot is taken for granted but that of the measuring that is done again.
    if (which) screen.querySelectorAll('input').forEach(input => { input.checked = false; });
    screen.querySelector('.unfit').hidden = true;
    show(screen.id);
    screen.querySelector('.lacks-wake').hidden = !voice.lacks().includes('wake');
  }

  function blocked(why) {
    leave();
    at('why').textContent = t(why);
    show('blocked');
  }

  // Nothing is recorded and nothing is held on to.
  function leave() {
    clearInterval(beat);
    removeEventListener('devicemotion', feel);
    voice.stayOn(false);
    run = null;
    forget();
  }

  function forget() {
    if (file) URL.revokeObjectURL(file.address);
    file = null;
  }

  // ---------------------------------------------------------------- start

  const secondsOf = name => Number(at(`${name}-${kind}`).value);

  // Called from a tap: some browsers let the phone be felt only then.
  function start() {
    const screen = at(`ready-${kind}`), chosen = screen.querySelector('input:checked');
    screen.querySelector('.unfit').hidden = !!chosen;
    if (!chosen) {
      screen.querySelector('input').focus();
      return tell(t('choose_foot'));
    }
    foot = chosen.value;
    voice.wakeUp();
    if (!window.isSecureContext) return blocked('need_https');
    if (!('DeviceMotionEvent' in window)) return blocked('no_sensor');
    const { requestPermission } = DeviceMotionEvent;
    if (typeof requestPermission !== 'function') return wait();
    const told = granted => {
      if (!screen.classList.contains('here')) return; // gone back while it was asked
      if (granted) wait(); else blocked('refused');
    };
    return requestPermission.call(DeviceMotionEvent).then(answer => told(answer === 'granted'), () => told(false));
  }

  function wait() {
    leave();
    const lead = secondsOf('lead');
    run = { begins: performance.now() + 1000 * lead, most: secondsOf('most'), felt: false, on: false, turns: true, first: 0, samples: [], away: false };
    voice.stayOn(true);
    addEventListener('devicemotion', feel);
    label('wait');
    show('wait');
    tell(t('starts', { n: lead }));
    tick();
    beat = setInterval(tick, 100);
  }

  function label(name) {
    at(name).querySelector('.what').textContent = `${t(kind)}. ${t(`foot.${foot}`)}`;
  }

  const write = (name, value) => {
    const place = at(name).querySelector('.number'), text = String(value);
    if (place.textContent === text) return false;
    place.textContent = text;
    return true;
  };

  function tick() {
    const now = performance.now();
    if (run.on) {
      const seconds = Math.floor((now - run.begins) / 1000);
      write('run', Math.min(seconds, run.most));
      if (seconds >= run.most || run.samples.length >= MOST_SAMPLES) stop();
      return;
    }
    const left = Math.ceil((run.begins - now) / 1000);
    if (left > 0) {
      if (write('wait', left) && left <= 3) voice.beep(440, 0.08);
    } else if (!run.felt) {
      blocked('no_data');
    } else {
      run.on = true;
      run.begins = now;
      run.away = document.hidden;
      voice.beep(784, 0.4);
      label('run');
      write('run', 0);
      show('run');
    }
  }

  // ---------------------------------------------------------------- record

  const number = (value, digits) => Number(value.toFixed(digits));

  function feel(event) {
    const a = event.accelerationIncludingGravity, turn = event.rotationRate;
    if (!run || !a || [a.x, a.y, a.z].some(value => typeof value !== 'number')) return;
    run.felt = true;
    if (!run.on || run.samples.length >= MOST_SAMPLES) return;
    if (!run.samples.length) run.first = event.timeStamp;
    const time = number((event.timeStamp - run.first) / 1000, TIME_DIGITS);
    // Some phones tell the same moment twice.
    if (run.samples.length && time <= run.samples[run.samples.length - 1][0]) return;
    const turns = turn ? [turn.alpha, turn.beta, turn.gamma] : [];
    if (!turns.length || turns.some(value => typeof value !== 'number')) run.turns = false;
    const speeds = run.turns ? turns.map(value => value * RADIANS) : [];
    run.samples.push([time, ...[a.x, a.y, a.z, ...speeds].map(value => number(value, DIGITS))]);
  }

  function stop() {
    const { samples, turns, away } = run, wide = turns && samples.length ? 7 : 4;
    leave();
    voice.beep(392, 0.4);
    voice.buzz(200);
    const rows = Array.from({ length: wide - 1 }, (_, k) => Float64Array.from(samples, sample => sample[k + 1]));
    const recording = { time: Float64Array.from(samples, sample => sample[0]), rows };
    const [title, ...parts] = { heel_raise: ofRaises, balance: ofBalance, other: ofOther }[kind](recording);
    at('found').replaceChildren(
      el('p', { class: 'foot' }, `${t(kind)}. ${t(`foot.${foot}`)}`),
      ...parts.flat().filter(Boolean), away ? note(t('left'), 'warn') : '', el('p', { class: 'small' }, t(`tried_${kind}`)),
    );
    keep(samples, wide);
    show('result', title);
    tell(`${t('over')} ${title}`);
  }

  // ---------------------------------------------------------------- what was found

  const unsure = why => [t('cannot'), note(t(`why_${why}`), 'warn')];
  const list = items => el('ol', {}, items.map(item => el('li', {}, item)));
  const heading = text => el('h2', {}, text);

  function ofRaises(recording) {
    const found = reps.heelRaisesIn(recording, page.book);
    if (found.cannot) return unsure(found.cannot);
    return [
      many('raises', found.count), heading(t('down_title')),
      list(found.raises.map((one, i) => t('each', { n: i + 1, seconds: shown(one.down) }))),
      found.partial ? el('p', {}, many('partial', found.partial)) : null,
      found.by === 'tilt' ? note(t('by_tilt'), 'warn') : null, el('p', { class: 'small' }, t('tenth')),
    ];
  }

  function ofBalance(recording) {
    const found = held.heldIn(recording, page.book);
    if (found.cannot) return unsure(found.cannot);
    const parts = found.parts.map(([from, to]) => t('part', { seconds: shown(to - from), from: shown(from), to: shown(to) }));
    return [
      t(found.openStart || found.openEnd ? 'held_least' : 'held', { seconds: shown(found.longest) }),
      el('p', {}, found.stepOuts ? many('outs', found.stepOuts) : t('outs_none')), heading(t('still_title')), list(parts),
    ];
  }

  function ofOther(recording) {
    const found = reps.countByRhythm(recording, page.book);
    if (found.cannot) return unsure(found.cannot);
    return [many('count', found.count), el('p', {}, t('one_takes', { seconds: shown(found.period) }))];
  }

  // ---------------------------------------------------------------- the file

  function keep(samples, wide) {
    const rows = samples.map(sample => sample.slice(0, wide).map((value, k) => value.toFixed(k ? DIGITS : TIME_DIGITS)).join(','));
    const text = `${[HEAD.slice(0, wide).join(','), ...rows].join('\n')}\n`;
    const now = new Date(), two = n => String(n).padStart(2, '0');
    const day = `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}-${two(now.getHours())}${two(now.getMinutes())}`;
    const made = new File([text], `${NAMES[kind]}-${foot}-${day}.csv`, { type: 'text/csv' });
    file = { made, address: URL.createObjectURL(made) };
    Object.assign(at('save'), { href: file.address, download: made.name });
    at('unshared').hidden = true;
    document.querySelector('[data-act=share]').hidden = !(navigator.canShare && navigator.canShare({ files: [made] }));
  }

  function share() {
    navigator.share({ files: [file.made] }).catch(error => { at('unshared').hidden = error.name === 'AbortError'; });
  }

  // ---------------------------------------------------------------- begin

  const does = { home, ready, start, stop, share, again: () => ready() };
  document.documentElement.classList.add('on');
  document.addEventListener('click', event => {
    const found = event.target.closest('[data-act]');
    if (!found) return;
    const [act, which] = found.dataset.act.split(' ');
    does[act](which);
  });
  document.addEventListener('visibilitychange', () => { if (document.hidden && run && run.on) run.away = true; });
  home();
})(JSON.parse(document.getElementById('data').textContent));
