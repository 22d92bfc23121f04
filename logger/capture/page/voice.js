// Sounds, speech and vibration. Sounds come from the page itself; a voice may need the network, and is extra.

const TUNES = {
  // [pitch in Hz, start in s, length in s]
  ready: [[660, 0, 0.18]],
  target: [[1320, 0, 0.16], [1320, 0.22, 0.16], [1320, 0.44, 0.3]],
  low: [[660, 0, 0.2], [520, 0.25, 0.2], [390, 0.5, 0.4]],
  mark: [[990, 0, 0.08]],
  start: [[520, 0, 0.12], [780, 0.14, 0.16]],
  stop: [[780, 0, 0.12], [520, 0.14, 0.16]],
  good: [[780, 0, 0.12], [990, 0.14, 0.12]],
  warning: [[240, 0, 0.25], [200, 0.3, 0.25], [240, 0.6, 0.25], [200, 0.9, 0.35]],
};
const BUZZES = {
  // vibration: on, off, on ... in ms; where the phone has it
  ready: [120],
  target: [350, 120, 350, 120, 350],
  low: [1000],
  warning: [120, 80, 120, 80, 120, 80, 120],
};
const VOLUME = 0.5;

export class Voice {
  #audio = null;

  /** Make ready inside a tap: both need one to be allowed later. */
  prime() {
    try {
      this.#audio ??= new AudioContext();
      this.#audio.resume()?.catch?.(() => {});
    } catch {
      this.#audio = null; // a phone without sounds still records
    }
    try {
      window.speechSynthesis?.speak(new SpeechSynthesisUtterance(""));
    } catch {
      // the sounds say it
    }
  }

  /** Play the tune of `cue`, shake, and say `words` where there are any. */
  tell(cue, words = "") {
    this.#play(TUNES[cue]);
    if (BUZZES[cue]) navigator.vibrate?.(BUZZES[cue]);
    if (!words || !window.speechSynthesis) return;
    try {
      if (speechSynthesis.speaking || speechSynthesis.pending) speechSynthesis.cancel();
      const said = new SpeechSynthesisUtterance(words);
      said.lang = "en";
      said.rate = 1.05;
      speechSynthesis.speak(said);
    } catch {
      // as above
    }
  }

  #play(tune) {
    const audio = this.#audio;
    if (!audio) return;
    if (audio.state !== "running") audio.resume()?.catch?.(() => {});
    for (const [pitch, after, length] of tune) {
      const from = audio.currentTime + 0.02 + after;
      const tone = audio.createOscillator();
      const gain = audio.createGain();
      tone.type = "triangle";
      tone.frequency.value = pitch;
      gain.gain.setValueAtTime(0, from);
      gain.gain.linearRampToValueAtTime(VOLUME, from + 0.015);
      gain.gain.setValueAtTime(VOLUME, from + length - 0.03);
      gain.gain.linearRampToValueAtTime(0, from + length);
      tone.connect(gain).connect(audio.destination);
      tone.start(from);
      tone.stop(from + length + 0.02);
    }
  }
}
