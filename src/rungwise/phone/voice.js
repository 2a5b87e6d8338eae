// Sound, voice, buzz and a screen that stays on: each is offered where there is one, none is needed.
const voice = (() => {
  const speaks = 'speechSynthesis' in window;
  const able = {
    sound: 'AudioContext' in window || 'webkitAudioContext' in window,
    // Some browsers know how to speak but have no voice to do it with; the list comes late.
    get voice() { return speaks && speechSynthesis.getVoices().length > 0; },
    buzz: 'vibrate' in navigator,
    wake: 'wakeLock' in navigator,
  };
  if (speaks) speechSynthesis.getVoices();
  let audio = null, lock = null, wanted = false, asking = false, refused = false;

  // Called from a tap: browsers allow sound only then.
  function wakeUp() {
    try {
      audio ||= new (window.AudioContext || window.webkitAudioContext)();
      if (audio.state === 'suspended') audio.resume();
    } catch { audio = null; }
  }

  function beep(pitch = 660, seconds = 0.15) {
    if (!audio) return;
    const tone = audio.createOscillator(), level = audio.createGain(), at = audio.currentTime;
    tone.frequency.value = pitch;
    level.gain.setValueAtTime(0.2, at);
    level.gain.exponentialRampToValueAtTime(0.001, at + seconds);
    tone.connect(level).connect(audio.destination);
    tone.start(at);
    tone.stop(at + seconds);
  }

  function say(text, lang) {
    if (!speaks) return;
    speechSynthesis.cancel();
    const words = new SpeechSynthesisUtterance(text);
    words.lang = lang;
    speechSynthesis.speak(words);
  }

  const hush = () => { if (speaks) speechSynthesis.cancel(); };
  const buzz = pattern => { if (able.buzz) navigator.vibrate(pattern); };

  // One lock at a time; what was wanted meanwhile counts once the phone has answered.
  async function stayOn(on) {
    wanted = on;
    if (!able.wake || asking) return;
    asking = true;
    try {
      if (on && !lock && document.visibilityState === 'visible') {
        lock = await navigator.wakeLock.request('screen');
        refused = false;
        lock.addEventListener('release', () => { lock = null; });
      } else if (!on && lock) {
        await lock.release();
        lock = null;
      }
    } catch { lock = null; refused = true; }
    asking = false;
    if (!wanted && lock) stayOn(false);
  }

  // The phone takes the lock away whenever the page is hidden.
  document.addEventListener('visibilitychange', () => { if (wanted) stayOn(true); });

  // What the phone lacks, or did not allow when it was asked.
  const lacks = () => Object.keys(able).filter(what => !able[what] || (what === 'wake' && refused));

  return { able, lacks, wakeUp, beep, say, hush, buzz, stayOn };
})();
