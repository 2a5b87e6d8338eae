// Sound, voice, buzz and a screen that stays on: each is offered where there is one, none is needed.
const voice = (() => {
  const able = {
    voice: 'speechSynthesis' in window,
    buzz: 'vibrate' in navigator,
    wake: 'wakeLock' in navigator,
  };
  let audio = null, lock = null, wanted = false;

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
    if (!able.voice) return;
    speechSynthesis.cancel();
    const words = new SpeechSynthesisUtterance(text);
    words.lang = lang;
    speechSynthesis.speak(words);
  }

  const hush = () => { if (able.voice) speechSynthesis.cancel(); };
  const buzz = pattern => { if (able.buzz) navigator.vibrate(pattern); };

  async function stayOn(on) {
    wanted = on;
    if (!able.wake) return;
    try {
      if (on && !lock && document.visibilityState === 'visible') {
        lock = await navigator.wakeLock.request('screen');
        lock.addEventListener('release', () => { lock = null; });
      } else if (!on && lock) {
        await lock.release();
      }
    } catch { lock = null; }
  }

  // The phone takes the lock away whenever the page is hidden.
  document.addEventListener('visibilitychange', () => { if (wanted) stayOn(true); });

  return { able, wakeUp, beep, say, hush, buzz, stayOn };
})();
