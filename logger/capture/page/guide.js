// The run guide: fixes in, cues out ("ready", "target", "low"). No sounds, no page.
//
// One reading is believed at once where it continues what went before; a jump needs a second
// reading that says the same. So a false reading never ends a run, and a true one costs no time.

const GOOD_FIX_M = 25;
const USABLE_FIX_M = 60;
const LONGEST_GAP_S = 5;
const JUMP_MPS = 1.5;
const JUMP_MPS2 = 1.5;
const BELOW_MPS = 2;
const STANDING_MPS = 1.5;
const PICKED_UP_MPS = 4;

export class Guide {
  /** Speeds in m/s. */
  constructor(target_mps, low_mps) {
    this.target_mps = target_mps;
    this.low_mps = low_mps;
    this.state = "wait"; // wait, armed, coast, done
    this.#forget();
  }

  #last = null;
  #slope = 0;
  #doubted = null; // what the last reading would have meant, had it been believed
  #slowest = Infinity;

  #forget() {
    this.#last = null;
    this.#slope = 0;
    this.#doubted = null;
  }

  /** Take a fix; return "ready", "target" or "low" at that moment, else null. */
  take({ time_s, speed_mps, accuracy_m }) {
    if (speed_mps === null || !(accuracy_m <= USABLE_FIX_M)) return null;
    const span = this.#last ? time_s - this.#last.time_s : Infinity;
    if (span <= 0) return null;
    const near = span <= LONGEST_GAP_S &&
      Math.abs(speed_mps - this.#last.speed_mps - this.#slope * span) <= JUMP_MPS + JUMP_MPS2 * span;
    this.#slope = span <= LONGEST_GAP_S ? (speed_mps - this.#last.speed_mps) / span : 0;
    this.#last = { time_s, speed_mps };
    const meaning = this.#meaning(speed_mps, accuracy_m);
    const believed = meaning !== null && (near || this.#doubted === meaning);
    this.#doubted = meaning;
    if (!believed) {
      if (near && this.state === "coast") this.#slowest = Math.min(this.#slowest, speed_mps);
      return null;
    }
    this.#doubted = null;
    return this.#act(meaning);
  }

  #meaning(speed, accuracy) {
    switch (this.state) {
      case "wait":
        return accuracy <= GOOD_FIX_M && speed < this.target_mps - BELOW_MPS ? "ready" : null;
      case "armed":
        return speed >= this.target_mps ? "target" : null;
      case "coast":
        if (speed <= this.low_mps) return "low";
        // faster again, well below the target: the coast-down was given up
        return speed > this.#slowest + PICKED_UP_MPS && speed < this.target_mps - BELOW_MPS
          ? "given up" : null;
      default:
        if (speed < STANDING_MPS) return "ready";
        return speed >= this.target_mps ? "target" : null;
    }
  }

  #act(meaning) {
    if (meaning === "target") this.#slowest = Infinity;
    this.state = { ready: "armed", target: "coast", low: "done", "given up": "armed" }[meaning];
    return meaning === "given up" ? null : meaning;
  }
}
