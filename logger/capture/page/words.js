// A verdict in words: what was driven, what is wrong with it, what to do. No page.

import { compass } from "./outing.js";

const WORTH = { good: "Good run", usable: "Usable, but less certain", repeat: "Spoilt" };
const FAULTS = {
  stopped: () => "It was stopped before the coast-down was over. Stop when the step says so, or standing.",
  "no coast": () => "No coast-down came after it. After the pull go into neutral, and touch neither brake nor throttle.",
  short: (v, speed) => `The coast-down ended early, at ${speed(v)}: brake, throttle or a gear. Roll on down to the lower speed.`,
  "coast hole": (s) => `GPS was lost for ${Math.round(s)} s in the coast-down.`,
  "pull hole": (s) => `GPS was lost for ${Math.round(s)} s in the pull.`,
  moved: (deg) => `The phone moved in its mount, by about ${Math.round(deg)}°. Fix it firmly; leave it alone until the run is over.`,
  slow: (v, speed) => `The top was ${speed(v)}, below the speed asked for.`,
  "no pull": () => "The speed was reached gently: it counts as a coast-down only.",
  "motion lost": (share) => `The motion sensor was silent for ${Math.max(1, Math.round(100 * share))} % of it.`,
};

export function speedWords(v_mps, unit, unit_mps) {
  return `${Math.round(v_mps / unit_mps)} ${unit}`;
}

/** One run: { worth, title, driven, faults, gates }; texts, and gates as [from-to, seconds] pairs. */
export function runWords(run, unit, unit_mps) {
  const speed = (v) => speedWords(v, unit, unit_mps);
  const bare = (v) => Math.round(v / unit_mps);
  const driven = [];
  const { pull, coast } = run;
  if (pull) {
    driven.push(`Pull ${bare(pull.from_mps)}–${speed(pull.to_mps)} in ${seconds(pull.seconds, pull.plus_minus_s)}.`);
  }
  if (coast) {
    const whole = Math.round(coast.end_s - coast.start_s);
    driven.push(`Coast-down ${bare(coast.from_mps)}–${speed(coast.to_mps)} in ${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}.`);
  }
  if (run.bearing_deg !== null) driven.push(`Towards the ${compass(run.bearing_deg)}.`);
  return {
    worth: run.worth,
    title: WORTH[run.worth],
    driven,
    faults: run.faults.map(([kind, value]) => FAULTS[kind](value, speed)),
    gates: run.gates.map(({ phase, from, to, seconds: s, plus_minus_s }) =>
      [`${phase === "pull" ? "Pull" : "Coast-down"} ${from}–${to}`, seconds(s, plus_minus_s)]),
  };
}

function seconds(value, plus_minus_s) {
  return `${value.toFixed(1)} ± ${plus_minus_s.toFixed(1)} s`;
}
