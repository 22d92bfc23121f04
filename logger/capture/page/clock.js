// One clock per recording: seconds since 1970 that run evenly.
//
// Motion events carry monotonic stamps, fixes carry the wall clock's. A recording's clock is the
// monotonic one with its zero taken from the wall clock, so that both stand in one table. The
// monotonic clock may stand still while a phone sleeps; `settle` then moves the zero forwards.

const STEP_MS = 500;
const DAY_MS = 86_400_000;
const SINCE_2001_MS = 978_307_200_000;
// A fix is delivered within seconds of being taken; a longer way is another clock.
const NEAR_MS = 10_000;
const AGREE_MS = 2_000;
// Rows that lie further back than this make a table unreadable (logger/order.py).
const BACK_MS = 5_000;

export class Clock {
  constructor() {
    this.zero_ms = Date.now() - performance.now();
  }

  /** Milliseconds since 1970. */
  now() {
    return this.zero_ms + performance.now();
  }

  /** The stamp of an event on this clock; events without a usable stamp happened now. */
  ofEvent(event) {
    const stamp = event.timeStamp;
    const now = performance.now();
    if (Number.isFinite(stamp) && Math.abs(now - stamp) < NEAR_MS) return this.zero_ms + stamp;
    if (Math.abs(Date.now() - stamp) < NEAR_MS) return stamp; // old browsers: since 1970
    return this.zero_ms + now;
  }

  /** Compare with the wall clock; follow it forwards. Returns the step [ms], 0 for none. */
  settle() {
    const zero = Date.now() - performance.now();
    const step = zero - this.zero_ms;
    if (Math.abs(step) < STEP_MS) return 0;
    if (step > 0) this.zero_ms = zero;
    return step;
  }
}

/**
 * Brings the stamps of fixes onto the recording's clock, on which they nearly always are already.
 * Some platforms count from 2001, or in seconds; a phone's clock may be minutes off the satellites'.
 */
export class FixStamps {
  constructor() {
    this.shift_ms = 0;
    this.scale = 1;
    this.words = "as given";
    this.doubts = [];
    this.last_ms = -Infinity;
  }

  /** Return the stamp [ms since 1970] of a fix that came at `now_ms`. */
  place(stamp, now_ms) {
    const placed_ms = this.#time(stamp, now_ms);
    this.last_ms = Math.max(this.last_ms, placed_ms);
    return placed_ms;
  }

  #time(stamp, now_ms) {
    if (!Number.isFinite(stamp)) return now_ms;
    if (this.#fits(stamp, now_ms, 1, 0)) return this.#take(stamp, 1, 0, "as given");
    for (const [scale, shift, words] of [
      [1, SINCE_2001_MS, "milliseconds since 2001"],
      [1000, 0, "seconds since 1970"],
      [1000, SINCE_2001_MS, "seconds since 2001"],
    ]) {
      if (this.#fits(stamp, now_ms, scale, shift)) return this.#take(stamp, scale, shift, words);
    }
    if (this.#fits(stamp, now_ms, this.scale, this.shift_ms)) {
      return stamp * this.scale + this.shift_ms;
    }
    // three fixes alike come from another clock; one alone is an old fix, or a late one
    const late = now_ms - stamp;
    this.doubts = [...this.doubts.slice(-2), late];
    if (this.doubts.length === 3 && this.doubts.every((d) => Math.abs(d - late) < AGREE_MS)) {
      const least = Math.min(...this.doubts);
      return this.#take(stamp, 1, least, `clock ${(-least / 1000).toFixed(1)} s off the phone's`);
    }
    // a fix of another clock, as after the phone's was set, must not stand where none can be
    const possible = late > 0 && late < DAY_MS && stamp > this.last_ms - BACK_MS;
    return possible ? stamp : now_ms;
  }

  #fits(stamp, now_ms, scale, shift) {
    const time = stamp * scale + shift;
    return Math.abs(now_ms - time) < NEAR_MS && time > this.last_ms - BACK_MS;
  }

  #take(stamp, scale, shift, words) {
    [this.scale, this.shift_ms, this.words, this.doubts] = [scale, shift, words, []];
    return stamp * scale + shift;
  }
}
