// Short tones, each cue its own; every one has its words on the page as well.
"use strict";

let sound = null;

const TONES = {
  tick: [880], wheels: [440, 440, 440], pause: [660, 440], "set-end": [523, 659], "drill-end": [523, 659, 784],
  stop: [330, 330], fault: [220, 330, 220, 330], "hopper-low": [392, 311, 392], change: [587, 698], offer: [698, 587],
};

function beep(cue) {
  if (!sound) return;
  (TONES[cue] || [600]).forEach((hertz, n) => {
    const tone = sound.createOscillator(), loud = sound.createGain(), at = sound.currentTime + n * 0.16;
    tone.frequency.value = hertz;
    loud.gain.setValueAtTime(0.25, at);
    loud.gain.exponentialRampToValueAtTime(0.001, at + 0.15);
    tone.connect(loud).connect(sound.destination);
    tone.start(at); tone.stop(at + 0.15);
  });
}

document.getElementById("sound").onclick = () => {
  if (sound) { sound.close(); sound = null; } else sound = new AudioContext();
  document.getElementById("sound").setAttribute("aria-pressed", String(Boolean(sound)));
  document.getElementById("sound").textContent = TEXTS[sound ? "page.sound-on" : "page.sound-off"];
  beep("tick");
};
