// The screens before and during a recording.

import { checks, gpsShort, storageState } from "./checks.js";
import { tableOf, handOver } from "./files.js";
import { Guide } from "./guide.js";
import { makeOffline } from "./offline.js";
import { Recorder } from "./recorder.js";
import { ScreenLock } from "./screen.js";
import { Sensors } from "./sensors.js";
import { standing } from "./review.js";
import { shown, speedsOf } from "./settings.js";
import { Setup } from "./setup.js";
import { $, ask, duration, make, pause, setText, show, SIGNS } from "./view.js";
import { Voice } from "./voice.js";

const TICK_MS = 250;
const WARN_AGAIN_MS = 15_000;
const CUES = {
  ready: { mark: "ready", event: "", words: "Ready" },
  target: { mark: "neutral now", event: "target_reached", words: "Neutral now" },
  low: { mark: "done", event: "low_reached", words: "Done, brake gently" },
};

export class Drive {
  sensors = new Sensors();
  lock = new ScreenLock();
  voice = new Voice();
  recorder = null;
  guide = null;
  #storage = {};
  #offline = null;
  #lost = false;
  #still = false;
  #warned_ms = -Infinity;
  #hidden = false;
  #full = false;
  #ended = () => {};

  constructor(store, settings, ended) {
    this.store = store;
    this.settings = settings;
    this.#ended = ended;
    this.sensors.onFix = (fix) => this.#fix(fix);
    this.lock.onLost = () => this.recorder?.event("screen_released");
    this.setup = new Setup(settings);
    $("insecure").hidden = isSecureContext;
    $("allow").addEventListener("click", () => this.allow());
    $("start").addEventListener("click", () => this.start());
    $("stop").addEventListener("click", () => this.stop());
    $("mark").addEventListener("click", () => this.mark());
    $("keep").addEventListener("click", () => this.keep());
    $("try").addEventListener("click", () => this.#tryVoice());
    document.addEventListener("visibilitychange", () => this.#visibility());
    addEventListener("pagehide", () => this.recorder?.flush());
    addEventListener("beforeunload", (event) => {
      if (this.recorder) event.preventDefault();
    });
    setInterval(() => this.#tick(), TICK_MS);
    storageState().then((state) => { this.#storage = state; });
    makeOffline().then((state) => { this.#offline = state; });
  }

  /** All permissions in one tap, asked before anything is waited for. */
  async allow() {
    const asked = this.sensors.ask();
    this.lock.hold();
    this.voice.prime();
    navigator.storage?.persist?.().then(storageState).then((state) => { this.#storage = state; }, () => {});
    $("allow").hidden = true;
    $("start").hidden = false;
    $("start").focus({ preventScroll: true });
    await asked;
    this.#tick();
  }

  /** Show the screen before a run, with the count of what there is. */
  async ready() {
    show("drive");
    setText($("so-far"), standing(await this.store.list(), this.setup.facts()));
  }

  async start() {
    if (this.recorder || !this.setup.read()) return;
    const { settings, sensors } = this;
    this.voice.prime();
    sensors.clock.settle();
    const speeds = speedsOf(settings);
    const facts = {
      ...this.setup.facts(),
      target_mps: settings.guide === "off" ? null : speeds.target_mps,
      low_mps: settings.guide === "off" ? null : speeds.low_mps,
      elevation: "above the WGS84 ellipsoid",
      fix_stamps: sensors.stamps.words,
      device: navigator.userAgent,
    };
    this.recorder = new Recorder(this.store, sensors.clock, facts, () => this.#stored());
    this.guide = settings.guide === "off" ? null : new Guide(speeds.target_mps, speeds.low_mps);
    [this.#lost, this.#still, this.#full, this.#warned_ms] = [false, false, false, -Infinity];
    sensors.recorder = this.recorder;
    setText($("alarm"), "");
    setText($("marks"), "");
    $("keep").hidden = !($("mark").hidden = false);
    $("stop").disabled = false;
    show("record");
    this.#tick();
    this.lock.hold();
    try {
      await this.recorder.start();
    } catch {
      sensors.recorder = this.recorder = null;
      show("drive");
      setText($("bar-note"), "The phone's storage takes nothing: it is full, or closed to this page. Make room, or open it in an ordinary window.");
      return;
    }
    this.recorder.orientation(sensors.angles);
    this.voice.tell("start", this.#spoken("Recording"));
  }

  async stop() {
    const { recorder, sensors } = this;
    if (!recorder) return;
    $("stop").disabled = true;
    recorder.entry.facts.fix_stamps = sensors.stamps.words;
    const whole = await recorder.stop();
    sensors.recorder = null;
    $("stop").disabled = false;
    if (!whole) {
      const words = "Not everything could be stored: the phone is full. Save it to a file now, then stop again.";
      setText($("alarm"), words);
      $("mark").hidden = !($("keep").hidden = false);
      this.voice.tell("warning", this.#spoken(words));
      if (!(await ask({ title: "The last part is not stored", text: words, yes: "Leave that part out", no: "Stay here", danger: true }))) return;
    }
    this.recorder = this.guide = null;
    this.voice.tell("stop", this.#spoken("Stopped"));
    this.#ended(recorder.entry.id);
  }

  mark() {
    if (!this.recorder) return;
    setText($("marks"), String(this.recorder.mark()));
    this.voice.tell("mark");
  }

  /** Save stored and unstored rows together: the way out when the store is full. */
  async keep() {
    const { recorder } = this;
    const { file } = await tableOf(this.store, recorder.entry, recorder.unstored());
    await handOver(file);
  }

  #fix(fix) {
    const { recorder } = this;
    if (!recorder) return;
    const cue = this.guide?.take(fix);
    if (!cue) return;
    recorder.event(CUES[cue].event, CUES[cue].mark);
    this.voice.tell(cue, this.#spoken(CUES[cue].words));
  }

  #visibility() {
    const { recorder } = this;
    if (document.visibilityState === "hidden") {
      this.#hidden = Boolean(recorder);
      recorder?.event("hidden");
      recorder?.flush();
      return;
    }
    if (this.lock.state !== "unasked") this.lock.hold();
    if (!recorder) return;
    const step = this.sensors.clock.settle();
    recorder.event("visible", step ? `clock moved ${(step / 1000).toFixed(1)} s` : "");
    if (this.#hidden) {
      this.#warn("The page was hidden: this run has a hole.");
    }
    this.#hidden = false;
  }

  #warn(words) {
    setText($("alarm"), words);
    this.#warned_ms = performance.now();
    this.voice.tell("warning", this.#spoken(words));
  }

  #spoken(words) {
    return this.settings.guide === "voice" ? words : "";
  }

  #stored() {
    const full = Boolean(this.recorder?.trouble);
    if (full && !this.#full) {
      this.#warn("The phone's storage takes no more. What was stored is kept; stop now and save it to a file.");
      $("mark").hidden = !($("keep").hidden = false);
    }
    if (!full && this.#full) {
      setText($("alarm"), "");
      $("keep").hidden = !($("mark").hidden = false);
    }
    this.#full = full;
  }

  #tick() {
    const { recorder, sensors } = this;
    if (!recorder) {
      this.#showChecks();
      return;
    }
    const [lost, still] = [sensors.gpsLost(), sensors.motionLost()];
    if ((lost !== this.#lost || still !== this.#still) && !document.hidden) {
      const words = [lost ? "GPS is lost." : "", still ? "Motion is lost." : ""].filter(Boolean).join(" ");
      if (lost !== this.#lost) recorder.event(lost ? "gps_lost" : "gps_back");
      const worse = (lost && !this.#lost) || (still && !this.#still);
      if (worse) this.#warn(words);
      else {
        setText($("alarm"), words);
        this.voice.tell("good", this.#spoken(lost === this.#lost ? "Motion is back" : "GPS is back"));
      }
      [this.#lost, this.#still] = [lost, still];
    } else if (lost && performance.now() - this.#warned_ms > WARN_AGAIN_MS) {
      this.#warn("GPS is still lost.");
      sensors.watchAgain(); // some phones end a watch while the page is hidden
    }
    this.#showRecording();
  }

  #showRecording() {
    const { recorder, sensors, settings } = this;
    const { entry } = recorder;
    setText($("elapsed"), duration(sensors.clock.now() - entry.started_ms));
    const speed = this.#lost || sensors.speed_mps === null ? "–" : Math.round(shown(sensors.speed_mps, settings.unit));
    setText($("speed"), String(speed));
    setText($("speed-unit"), settings.unit);
    this.#showStep();
    const metres = sensors.accuracy_m === null ? "waiting" : `±${Math.max(1, Math.round(sensors.accuracy_m))} m`;
    setText($("fact-gps"), this.#lost ? "lost" : metres);
    const rate = Math.round(sensors.motionRate());
    setText($("fact-motion"), rate ? `${rate}/s` : "none");
    setText($("fact-stored"), duration(recorder.stored_ms - entry.started_ms));
    setText($("screen-note"), this.lock.state === "held" ? "" : "Keep the screen on by hand: it must not lock.");
  }

  /** The step by word, sign and colour; what they look like is the style sheet's. */
  #showStep() {
    const { target, low, unit } = this.settings;
    const [word, more] = {
      wait: ["Wait", "for a good fix"],
      armed: ["Pull", `up to ${target} ${unit}`],
      coast: ["Neutral", `roll down to ${low} ${unit}`],
      done: ["Brake gently", "the run is over"],
    }[this.guide?.state] ?? ["", ""];
    setText($("step"), word);
    setText($("step-more"), more);
    $("record").dataset.step = this.guide?.state ?? "off";
  }

  #showChecks() {
    const rows = checks({ sensors: this.sensors, lock: this.lock, storage: this.#storage, offline: this.#offline });
    const box = $("checks");
    if (!box.children.length) {
      box.append(...rows.map(() => make("li", {},
        make("span", { className: "sign" }), make("b"), make("span", { className: "words" }))));
    }
    rows.forEach(([state, ...words], index) => {
      box.children[index].className = state;
      [SIGNS[state], ...words].forEach((text, k) => setText(box.children[index].children[k], text));
    });
    const refused = this.sensors.location === "refused" || this.sensors.location === "missing";
    $("start").disabled = refused;
    if (refused) setText($("bar-note"), rows[0][2]); // what to do about it, where it is seen
    const [state, words] = gpsShort(this.sensors);
    $("bar-gps").className = `gps ${state}`;
    setText($("bar-gps-sign"), SIGNS[state]);
    setText($("bar-gps-words"), words);
  }

  async #tryVoice() {
    this.voice.prime();
    for (const cue of ["ready", "target", "low"]) {
      if (this.settings.guide === "off") return;
      this.voice.tell(cue, this.#spoken(CUES[cue].words));
      await pause(2000);
    }
  }
}
