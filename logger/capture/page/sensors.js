// Location, motion and orientation: permission, streams, and how good they are.

import { Clock, FixStamps } from "./clock.js";

const WATCH = { enableHighAccuracy: true, maximumAge: 0, timeout: 30_000 };
const LOST_MS = 4_000;
const STILL_MS = 2_000;
const RECENT_MS = 10_000;
const EARTH_M = 6_371_000;
const RAD = Math.PI / 180;

export class Sensors {
  clock = new Clock();
  stamps = new FixStamps();
  recorder = null;
  onFix = () => {};
  location = "unasked"; // asked, given, refused, missing
  motion = "unasked"; // asked, given, refused, missing
  accuracy_m = null;
  speed_mps = null;
  speedKnown = null; // whether the phone itself gives a speed
  angles = null; // the last event that tells how the phone lies
  fix_ms = null; // arrival of the last fix
  asked_ms = Infinity; // when the person let it listen, on the monotonic clock
  #fixes = [];
  #samples = [];
  #last = null;
  #watch = null;
  #listening = false;

  /** Ask for everything. Must run inside a tap, and asks before it waits for anything. */
  async ask() {
    const answers = [window.DeviceMotionEvent, window.DeviceOrientationEvent].map((kind) =>
      kind?.requestPermission ? kind.requestPermission().catch(() => "denied") : "granted");
    this.watchAgain();
    this.motion = window.DeviceMotionEvent ? "asked" : "missing";
    const [motion] = await Promise.all(answers);
    if (this.motion !== "missing") this.motion = motion === "granted" ? "asked" : "refused";
    this.asked_ms = performance.now();
    if (this.#listening) return;
    this.#listening = true;
    addEventListener("devicemotion", (event) => this.#motion(event));
    addEventListener("deviceorientation", (event) => {
      this.angles = event;
      this.recorder?.orientation(event);
    });
  }

  /** Begin to watch the location, or begin anew. */
  watchAgain() {
    if (!navigator.geolocation) {
      this.location = "missing";
      return;
    }
    if (this.#watch !== null) navigator.geolocation.clearWatch(this.#watch);
    if (this.location !== "given") this.location = "asked";
    this.#watch = navigator.geolocation.watchPosition(
      (position) => this.#fix(position),
      (error) => {
        // codes 2 and 3 mean "none just now": the watch goes on
        if (error.code === 1) this.location = "refused";
      },
      WATCH,
    );
  }

  #fix(position) {
    const now = this.clock.now();
    const time = this.stamps.place(position.timestamp, now);
    const { coords } = position;
    this.location = "given";
    this.fix_ms = now;
    this.accuracy_m = coords.accuracy;
    const given = coords.speed !== null && coords.speed >= 0;
    this.speedKnown = given || Boolean(this.speedKnown);
    this.speed_mps = given ? coords.speed : this.#fromPositions(time, coords);
    this.#last = { time, latitude: coords.latitude, longitude: coords.longitude };
    this.#fixes = [...this.#fixes.filter((at) => now - at < RECENT_MS), now];
    this.recorder?.fix(time, now, coords);
    this.onFix({ time_s: time / 1000, speed_mps: this.speed_mps, accuracy_m: coords.accuracy });
  }

  #fromPositions(time, { latitude, longitude }) {
    if (!this.#last) return null;
    const span_s = (time - this.#last.time) / 1000;
    if (span_s < 0.2 || span_s > 5) return null;
    const north = (latitude - this.#last.latitude) * RAD;
    const east = (longitude - this.#last.longitude) * RAD * Math.cos(latitude * RAD);
    return (EARTH_M * Math.hypot(north, east)) / span_s;
  }

  #motion(event) {
    const accel = event.accelerationIncludingGravity;
    if (accel?.x == null) return; // a phone without the sensor sends one event of nulls
    this.motion = "given";
    const now = performance.now();
    this.#samples.push(now);
    if (this.#samples.length > 400) this.#samples.splice(0, 200);
    this.recorder?.motion(event);
  }

  /** Whether fixes have stopped coming. */
  gpsLost() {
    const since = this.fix_ms ?? this.recorder?.entry.started_ms ?? this.clock.now();
    const usual = this.fixRate() ? 3000 / this.fixRate() : 0;
    return this.clock.now() - since > Math.max(LOST_MS, usual);
  }

  /** Whether motion came and has stopped coming. */
  motionLost() {
    return this.motion === "given" && performance.now() - this.#samples.at(-1) > STILL_MS;
  }

  fixRate() {
    return rate(this.#fixes);
  }

  motionRate() {
    const now = performance.now();
    const recent = this.#samples.filter((at) => now - at < 2000);
    return recent.length > 2 ? rate(recent) : 0;
  }
}

function rate(arrivals_ms) {
  if (arrivals_ms.length < 2) return 0;
  const span = arrivals_ms.at(-1) - arrivals_ms[0];
  return span > 0 ? ((arrivals_ms.length - 1) * 1000) / span : 0;
}
