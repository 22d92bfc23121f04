// One recording: rows are gathered and stored in pieces of at most half a second.

import { eventLine, fixLine, motionLine, upLine, upVector } from "./rows.js";

const PIECE_MS = 400;
const UP_EVERY_MS = 10_000;
const AT_REST_MPS = 0.5;

export class Recorder {
  #rows = [];
  #number = 0;
  #timer = null;
  #storing = Promise.resolve();
  #up_ms = -Infinity;
  #speed_mps = null;

  /** `facts`: what is known beforehand, as mass and speeds; `changed` is called after each attempt to store. */
  constructor(store, clock, facts, changed) {
    this.store = store;
    this.clock = clock;
    this.changed = changed;
    const started_ms = clock.now();
    this.entry = {
      id: crypto.randomUUID(),
      name: new Date(started_ms).toLocaleString([], { dateStyle: "medium", timeStyle: "medium" }),
      started_ms,
      last_ms: started_ms,
      ended: false,
      bytes: 0,
      rows: 0,
      fixes: 0,
      samples: 0,
      marks: 0,
      sent_ms: null,
      facts: { ...facts, started: new Date(started_ms).toISOString() },
    };
    this.trouble = null; // the error that keeps rows from being stored, while it lasts
    this.stored_ms = started_ms;
  }

  /** Store the first row; rejects where the phone takes nothing at all. */
  async start() {
    this.event("start");
    await this.flush();
    if (this.trouble) throw this.trouble;
    this.#timer = setInterval(() => this.flush(), PIECE_MS);
  }

  fix(time_ms, received_ms, coords) {
    this.entry.fixes += 1;
    this.#speed_mps = coords.speed;
    this.#add(fixLine(time_ms, received_ms, coords), received_ms);
  }

  motion(event) {
    const accel = event.accelerationIncludingGravity;
    const rate = event.rotationRate;
    if (accel?.x == null && rate?.alpha == null) return;
    this.entry.samples += 1;
    this.#add(motionLine(this.clock.ofEvent(event), this.clock.now(), accel, rate));
  }

  /** Keep the first direction of "up", and some more while the vehicle is not known to move. */
  orientation(event) {
    if (!event || event.beta == null || event.gamma == null) return;
    const now = this.clock.now();
    const moves = this.#speed_mps !== null && this.#speed_mps > AT_REST_MPS;
    if (this.#up_ms > 0 && (moves || now - this.#up_ms < UP_EVERY_MS)) return;
    this.#up_ms = now;
    // events come only when the angles change: one from before the start still holds
    const time = Math.max(this.clock.ofEvent(event), this.entry.started_ms);
    this.#add(upLine(time, now, upVector(event.beta, event.gamma)));
  }

  event(event, mark = "") {
    this.#add(eventLine(this.clock.now(), { event, mark }));
  }

  mark() {
    this.entry.marks += 1;
    this.#add(eventLine(this.clock.now(), { mark: `mark ${this.entry.marks}` }));
    return this.entry.marks;
  }

  #add(line, now = this.clock.now()) {
    this.#rows.push(line);
    this.entry.last_ms = Math.max(this.entry.last_ms, now);
  }

  /** Rows that are not stored yet, as text: for a file when the store takes no more. */
  unstored() {
    return this.#rows.length ? this.#rows.join("\n") + "\n" : "";
  }

  /** Store what has come; resolves when that has been tried, whether or not it worked. */
  flush() {
    this.#storing = this.#storing.then(() => this.#store());
    return this.#storing;
  }

  async #store() {
    const rows = this.#rows;
    if (!rows.length && !this.entry.ended) return;
    this.#rows = [];
    const text = rows.length ? rows.join("\n") + "\n" : "";
    const entry = {
      ...this.entry,
      rows: this.entry.rows + rows.length,
      bytes: this.entry.bytes + text.length,
    };
    try {
      await this.store.put(entry, text ? { number: this.#number, text } : null);
      this.#number += 1;
      this.entry.rows = entry.rows;
      this.entry.bytes = entry.bytes;
      this.stored_ms = entry.last_ms;
      this.trouble = null;
    } catch (error) {
      this.#rows = [...rows, ...this.#rows];
      this.trouble = error;
    }
    this.changed();
  }

  /** End it. Returns whether everything is stored; if not, it may be called again. */
  async stop() {
    clearInterval(this.#timer);
    if (!this.entry.ended) {
      this.event("stop");
      this.entry.ended = true;
    }
    await this.flush();
    return this.trouble === null;
  }
}
