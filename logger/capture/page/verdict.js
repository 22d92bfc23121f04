// A recording's samples -> what was driven, gate times, and what each run is worth. No page.
//
// Turning points of the speed find the runs: before a top the pull, behind it the coast-down, until brake,
// throttle or standstill. Times carry two standard deviations, of noise, sampling, and the receiver's lag
// and smoothing, which only the report can learn.

const USABLE_FIX_M = 60;
const STANDING_MPS = 1.5;
const TURN_MPS = 4; // speed must turn by so much to count
const SLOWEST_TOP_MPS = 8;
const PULL_TOP_MPS = 15; // slower without a coast-down is ordinary driving
const PULL_MPS2 = 0.7; // a weaker mean is no full throttle
const SLOPE_S = 1.6; // half the span for slopes
const FIT_S = 4; // half the span for coast-down gates
const SETTLE_S = 2.5; // after the top, until throttle, neutral and the receiver's smoothing are over
const HOLE_S = 2.5;
const LOST_S = 5; // without a fix at the end
const COAST_HOLE_S = 12; // the report bears shorter ones
const COAST_S = 8;
const COAST_SHARE = 0.25; // of the speed it began with, that a coast-down must lose
const MOVED_DEG = 6;
const LATE_S = 2.7; // the latest that fixes of phones came
const G_MPS2 = 9.81;
const RAD = Math.PI / 180;
// What receivers of phones do, as measured in vehicles, sd: noise of a speed and its slow part [m/s], slow
// change of the lag with its time [s], unequal smoothing at two gates [s].
const NOISE_MPS = 0.1;
const SLOW_MPS = 0.05;
const WANDER_S = 0.2;
const WANDER_OVER_S = 60;
const SMOOTHING_S = 0.12;
const LAG_CHANGE_S = 0.25; // over a whole pull, its release included

/**
 * Samples as from `samplesOf` -> top_mps, curve ([time_s, speed_mps] each), runs. `asked`: unit_mps and
 * step of the gates; target_mps and low_mps, null where the driver was given none.
 */
export function verdict({ fixes, motion }, asked) {
  const { clean, heard, rate } = cleaned(fixes);
  const end_s = Math.max(heard.at(-1) ?? 0, motion.at(-1)?.[0] ?? 0);
  if (end_s - heard.at(-1) > LOST_S) heard.push(end_s);
  const turns = turningPoints(clean);
  const runs = [];
  for (let k = 0; k < turns.length; k += 1) {
    if (!turns[k].high || clean[turns[k].at].v < SLOWEST_TOP_MPS) continue;
    const run = oneRun(clean, turns[k - 1]?.at ?? 0, turns[k].at, turns[k + 1]?.at ?? clean.length - 1, asked);
    if (!run) continue;
    run.bearing_deg = bearing(clean.filter(({ t }) => t >= run.start_s && t <= run.end_s));
    run.holes = holesIn(heard, rate, run);
    run.motion = motionIn(motion, run);
    judge(run, asked, end_s);
    runs.push(run);
  }
  return { top_mps: clean.length ? Math.max(...clean.map(({ v }) => v)) : null, curve: clean.map(({ t, v }) => [t, v]), runs };
}

/** Lines of the own table -> samples, at most 30 motion rows a second. `at` gives each column's place. */
export function samplesOf(lines, at) {
  const fixes = [];
  const motion = [];
  let next_s = -Infinity;
  const cell = (cells, name) => (cells[at[name]] ? Number(cells[at[name]]) : NaN);
  for (const line of lines) {
    const cells = line.split(",");
    if (cells[at.latitude_deg]) {
      fixes.push(["time_s", "speed_mps", "latitude_deg", "longitude_deg", "position_accuracy_m"].map((name) => cell(cells, name)));
    } else if (cells[at.accel_x_mps2]) {
      const time_s = cell(cells, "time_s");
      if (time_s < next_s) continue;
      next_s = time_s + 0.03; // enough for a mean, and few enough for an hour
      motion.push([time_s, cell(cells, "accel_x_mps2"), cell(cells, "accel_y_mps2"), cell(cells, "accel_z_mps2")]);
    }
  }
  return { fixes, motion };
}

/** Fixes with a believable speed of their own: no doublets, repeated speeds, single spikes. */
function cleaned(fixes) {
  const usable = fixes.filter(([t, v, , , accuracy]) => Number.isFinite(t) && Number.isFinite(v) && v >= 0 && !(accuracy > USABLE_FIX_M))
    .sort((a, b) => a[0] - b[0]).map(([t, v, latitude, longitude]) => ({ t, v, latitude, longitude }));
  const spans = usable.slice(1).map(({ t }, k) => t - usable[k].t).filter((span) => span > 0.02);
  const usual = median(spans) || 1;
  const apart = usable.filter(({ t }, k) => k === 0 || t - usable[k - 1].t > 0.3 * usual);
  const repeats = apart.filter((fix, k) => k && fix.v > 1 && fix.v === apart[k - 1].v).length;
  // a receiver with coarse steps repeats most speeds: then they are its speeds
  const fresh = repeats > 0.4 * apart.length ? apart
    : apart.filter((fix, k) => !(k && fix.v > 1 && fix.v === apart[k - 1].v));
  const clean = fresh.filter((fix, k) => {
    if (k === 0 || k === fresh.length - 1) return true;
    const near = fresh.slice(Math.max(0, k - 2), k + 3);
    if (near.at(-1).t - near[0].t > 12 * usual) return true;
    return Math.abs(fix.v - median(near.map(({ v }) => v))) <= Math.max(1.5, 0.08 * fix.v);
  });
  return { clean, heard: apart.map(({ t }) => t), rate: 1 / usual };
}

function median(values) {
  if (!values.length) return 0;
  const sorted = [...values].sort((a, b) => a - b);
  const half = sorted.length >> 1;
  return sorted.length % 2 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
}

/** Lowest and highest fixes in turn, each at least TURN_MPS from the one before. */
function turningPoints(fixes) {
  const found = [];
  let [low, high, rising] = [0, 0, null];
  fixes.forEach(({ v }, k) => {
    if (v <= fixes[low].v) low = k; // the last of several equal ones: the launch
    if (v > fixes[high].v) high = k;
    if (rising !== false && fixes[high].v - v > TURN_MPS) {
      found.push({ at: high, high: true });
      [rising, low] = [false, k];
    } else if (rising !== true && v - fixes[low].v > TURN_MPS) {
      found.push({ at: low, high: false });
      [rising, high] = [true, k];
    }
  });
  if (rising) found.push({ at: high, high: true });
  return found;
}

/** Mean and slope of the speed by least squares over fixes near `t`; null for fewer than three. */
function lineAt(fixes, t, half) {
  const near = fixes.slice(firstFrom(fixes, t - half), firstFrom(fixes, t + half + 1e-9));
  if (near.length < 3) return null;
  const tm = mean(near.map((fix) => fix.t));
  const vm = mean(near.map((fix) => fix.v));
  let [tt, tv] = [0, 0];
  for (const fix of near) {
    tt += (fix.t - tm) ** 2;
    tv += (fix.t - tm) * (fix.v - vm);
  }
  const slope = tv / tt;
  const rest = near.map((fix) => (fix.v - vm - slope * (fix.t - tm)) ** 2);
  const sd = Math.sqrt(rest.reduce((sum, r) => sum + r, 0) / Math.max(1, near.length - 2));
  // `spread`: of the fixes' times
  return { t: tm, v: vm, slope, sd, count: near.length, spread: Math.sqrt(tt / near.length) };
}

/** Index of the first fix at or after `t`. */
function firstFrom(fixes, t) {
  let [low, high] = [0, fixes.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (fixes[middle].t < t) low = middle + 1;
    else high = middle;
  }
  return low;
}

function mean(values) {
  return values.reduce((sum, value) => sum + value, 0) / values.length;
}

function slopeAt(fixes, k) {
  const line = lineAt(fixes, fixes[k].t, SLOPE_S);
  if (line) return line.slope;
  const [a, b] = [fixes[Math.max(0, k - 1)], fixes[Math.min(fixes.length - 1, k + 1)]];
  return b.t > a.t ? (b.v - a.v) / (b.t - a.t) : 0;
}

function oneRun(fixes, before, top, after, asked) {
  const coast = findCoast(fixes, top, after);
  const pull = findPull(fixes, before, top);
  if (!coast && !(pull && pull.to_mps >= PULL_TOP_MPS)) return null; // ordinary driving
  const end_s = coast?.end_s ?? fixes[top].t;
  const gates = [...(pull ? pullGates(fixes, pull, top, asked) : []), ...(coast ? coastGates(fixes, coast, asked) : [])];
  return { start_s: pull?.start_s ?? fixes[before].t, top_s: fixes[top].t, top_mps: fixes[top].v, end_s, pull, coast, gates };
}

/** Free rolling behind the top, until brake, throttle, standstill or the end of the recording. */
function findCoast(fixes, top, after) {
  let first = top + 1;
  while (first < fixes.length && (fixes[first].t < fixes[top].t + SETTLE_S || slopeAt(fixes, first) >= 0)) first += 1;
  if (first >= fixes.length) return null;
  const slowing = [];
  let [last, how] = [first, "cut"];
  for (let k = first; k < fixes.length; k += 1) {
    const { v } = fixes[k];
    const slope = slopeAt(fixes, k);
    const usual = slowing.length >= 3 ? median(slowing.slice(-8)) : Infinity;
    // not even a light motorcycle rolls to rest faster
    const most = Math.min(0.4 + 0.002 * v * v, 0.35 + 1.6 * usual);
    if (v < STANDING_MPS) how = "stand";
    else if (-slope > most) how = "brake";
    else if (slope > 0.35 || k > after + 3) how = "throttle";
    if (how !== "cut") break;
    slowing.push(Math.max(0, -slope));
    last = k;
  }
  if (how === "brake") {
    // its slope was seen over a stretch that reaches past the moment
    const seen_s = fixes[Math.min(last + 1, fixes.length - 1)].t;
    while (last > first && fixes[last].t > seen_s - SLOPE_S) last -= 1;
  }
  if (how === "throttle") {
    for (let k = last; k > first; k -= 1) if (fixes[k].v < fixes[last].v) last = k;
  }
  const [from, to] = [fixes[first], fixes[last]];
  if (to.t - from.t < 3 || from.v - to.v < 1) return null;
  return { start_s: from.t, end_s: to.t, from_mps: from.v, to_mps: to.v, how };
}

/** Acceleration up to the top; null where it was gentle. */
function findPull(fixes, before, top) {
  let start = before;
  for (let k = before; k < top; k += 1) if (fixes[k].v < STANDING_MPS) start = k;
  const to = fixes[top];
  // the last tenth is left out: a weak vehicle hardly gains there
  const until = fixes.findIndex((fix, k) => k > start && fix.v >= 0.9 * to.v);
  const standing = fixes[start].v < STANDING_MPS;
  const launch = standing ? launchOf(fixes, start, top) : { t: fixes[start].t, sd: 0.5 };
  const span = fixes[until].t - launch.t;
  const from_mps = standing ? 0 : fixes[start].v;
  if (!(span > 0) || (fixes[until].v - from_mps) / span < PULL_MPS2 || to.v - from_mps < 5) return null;
  const edge = Math.max(to.t - fixes[top - 1].t, (fixes[top + 1]?.t ?? to.t + 1) - to.t);
  const sd = Math.hypot(launch.sd, 0.5 * edge, 0.3, LAG_CHANGE_S);
  return {
    start_s: launch.t, start_sd_s: launch.sd, end_s: to.t, from_mps, to_mps: to.v, standing,
    seconds: to.t - launch.t, plus_minus_s: rounded(2 * sd),
  };
}

/** When it began to move, by going back along the first believable slope; receivers hold zero too long. */
function launchOf(fixes, start, top) {
  let k = start + 1;
  while (k < top && fixes[k].v < 3) k += 1;
  const [a, b] = [fixes[k], fixes[Math.min(top, k + 2)]];
  const slope = b.t > a.t ? Math.max(0.5, (b.v - a.v) / (b.t - a.t)) : 2;
  const back = a.v / slope;
  const earliest = fixes[start].t - 3; // what a receiver may hold
  const t = Math.max(a.t - back, earliest);
  // a first reading far up says that zero was held: then little is known of the launch
  return { t, sd: 0.25 + 0.3 * Math.max(0, back - 0.5) };
}

function pullGates(fixes, pull, top, { unit_mps, step }) {
  const high = Math.floor((pull.to_mps - 0.7) / unit_mps / (step / 2)) * (step / 2);
  const low = high >= 4 * step ? 2 * step : step;
  const found = [];
  const last = crossing(fixes, pull, top, high * unit_mps);
  if (!last) return found;
  if (pull.standing) {
    found.push(gate("pull", 0, high, { t: pull.start_s, sd: pull.start_sd_s }, last));
  }
  const first = low < high && pull.from_mps < low * unit_mps - 1 ? crossing(fixes, pull, top, low * unit_mps) : null;
  if (first) found.push(gate("pull", low, high, first, last));
  return found;
}

/** When the speed first passed `v` upwards; null in a hole. */
function crossing(fixes, pull, top, v) {
  for (let k = 1; k <= top; k += 1) {
    const [a, b] = [fixes[k - 1], fixes[k]];
    if (b.t <= pull.start_s || a.v >= v || b.v < v) continue;
    const span = b.t - a.t;
    if (span > HOLE_S) return null;
    const slope = (b.v - a.v) / span;
    // a launch that was held back is caught up with too fast for some seconds
    const early = 0.25 * Math.exp(-Math.max(0, a.t - pull.start_s - 2) / 2);
    return { t: a.t + (v - a.v) / slope, sd: Math.hypot(NOISE_MPS / slope, 0.1 * span, early) };
  }
  return null;
}

function coastGates(fixes, coast, { unit_mps, step }) {
  const passed = [];
  for (let speed = Math.floor(coast.from_mps / unit_mps / step) * step; speed >= step / 2; speed -= step) {
    const at = fall(fixes, coast, speed * unit_mps);
    if (at) passed.push({ speed, at });
  }
  const found = [];
  for (let k = 1; k < passed.length; k += 1) {
    if (passed[k - 1].speed - passed[k].speed === step) found.push(gate("coast", passed[k - 1].speed, passed[k].speed, passed[k - 1].at, passed[k].at));
  }
  return found;
}

/** When the coast-down passed `v`, by a line through the fixes near it. */
function fall(fixes, coast, v) {
  const inside = fixes.filter(({ t }) => t >= coast.start_s && t <= coast.end_s);
  const below = inside.findIndex((fix) => fix.v <= v);
  if (below < 1 || inside[below].t - inside[below - 1].t > 3 * HOLE_S) return null;
  const [a, b] = [inside[below - 1], inside[below]];
  const middle = a.t + ((a.v - v) / (a.v - b.v || 1)) * (b.t - a.t);
  const half = Math.min(FIT_S, middle - coast.start_s, coast.end_s - middle);
  const line = half > 1 ? lineAt(inside, middle, half) : null;
  if (!line || line.slope > -0.06) return null;
  const t = line.t + (v - line.v) / line.slope;
  if (Math.abs(t - middle) > FIT_S) return null;
  const noise = Math.max(NOISE_MPS, line.sd) * Math.hypot(1, (t - line.t) / line.spread) / Math.sqrt(line.count);
  return { t, sd: Math.hypot(noise, SLOW_MPS) / -line.slope };
}

function gate(phase, from, to, first, last) {
  const seconds = last.t - first.t;
  const wander = WANDER_S * Math.sqrt(2 * (1 - Math.exp(-seconds / WANDER_OVER_S)));
  const sd = Math.hypot(first.sd, last.sd, wander, SMOOTHING_S);
  return { phase, from, to, seconds, plus_minus_s: rounded(2 * sd) };
}

function rounded(plus_minus_s) {
  return Math.ceil(10 * plus_minus_s) / 10;
}

/** From start to end, in degrees from north; null where too near. */
function bearing(fixes) {
  const [a, b] = [fixes[0], fixes.at(-1)];
  const north = (b.latitude - a.latitude) * 111_200;
  const east = (b.longitude - a.longitude) * 111_200 * Math.cos(a.latitude * RAD);
  return Math.hypot(north, east) < 60 ? null : (Math.atan2(east, north) / RAD + 360) % 360;
}

function holesIn(heard, rate, run) {
  const found = [];
  for (let k = 1; k < heard.length; k += 1) {
    const [from, to] = [heard[k - 1], heard[k]];
    const seconds = to - from - 1 / rate;
    if (seconds < Math.max(HOLE_S, 2 / rate) || to < run.start_s || from > run.end_s) continue;
    found.push({ start_s: from, seconds, phase: from < run.top_s ? "pull" : "coast" });
  }
  return found;
}

/** How much of the run has motion, and by how many degrees the phone turned in its mount. */
function motionIn(motion, { start_s, end_s, pull, coast }) {
  const seconds = new Set(motion.filter(([t]) => t >= start_s && t <= end_s).map(([t]) => Math.floor(t)));
  const share = Math.min(1, seconds.size / Math.max(1, end_s - start_s - 1));
  // before the launch, and in each third of the coast-down: from, to, deceleration. Fixes are late,
  // so that launch and brake are felt before they are seen.
  const parts = pull?.standing ? [[start_s - 15, start_s - LATE_S - 3, 0]] : [];
  if (coast) {
    const third = (coast.end_s - LATE_S - coast.start_s) / 3;
    const slowing = (coast.from_mps - coast.to_mps) / (coast.end_s - coast.start_s);
    [1.5, 1, 0.5].forEach((part, k) => parts.push([coast.start_s + k * third, coast.start_s + (k + 1) * third, slowing * part]));
  }
  const means = parts.map(([from, to, slowing]) => {
    const rows = motion.filter(([t]) => t >= from && t <= to);
    return rows.length < 5 ? null : [slowing, [1, 2, 3].map((axis) => mean(rows.map((row) => row[axis])))];
  }).filter(Boolean);
  let moved_deg = 0;
  for (const [slow, a] of means) {
    for (const [slower, b] of means) {
      const cosine = (a[0] * b[0] + a[1] * b[1] + a[2] * b[2]) / (Math.hypot(...a) * Math.hypot(...b));
      // slowing down leans the reading without a move
      moved_deg = Math.max(moved_deg, (Math.acos(Math.min(1, cosine)) - Math.atan(Math.abs(slow - slower) / G_MPS2)) / RAD);
    }
  }
  return { share, moved_deg };
}

/** Add faults ([kind, value] each) and the worth: "good", "usable" or "repeat". */
function judge(run, { target_mps, low_mps }, last_s) {
  const { pull, coast, motion } = run;
  const [again, less] = [[], []];
  const hole = (phase, most_s) => {
    const seconds = Math.max(0, ...run.holes.filter((one) => one.phase === phase).map((one) => one.seconds));
    if (seconds) (seconds > most_s ? again : less).push([`${phase} hole`, seconds]);
  };
  if (coast) {
    hole("coast", COAST_HOLE_S);
    const lost = 1 - coast.to_mps / coast.from_mps;
    const enough = lost >= COAST_SHARE && coast.end_s - coast.start_s >= COAST_S;
    const whole = lost >= 0.5 || (low_mps && coast.to_mps <= 1.3 * low_mps + 1);
    if (!enough || !whole) (enough ? less : again).push([coast.how === "cut" ? "stopped" : "short", coast.to_mps]);
  } else {
    again.push([last_s - run.top_s < 6 ? "stopped" : "no coast", null]);
  }
  if (pull) {
    hole("pull", Math.max(6, 0.5 * pull.seconds));
    if (target_mps && run.top_mps < 0.9 * target_mps) less.push(["slow", run.top_mps]);
  } else {
    less.push(["no pull", null]);
  }
  if (motion.moved_deg > MOVED_DEG) again.push(["moved", motion.moved_deg]);
  if (motion.share > 0 && motion.share < 0.9) less.push(["motion lost", 1 - motion.share]);
  run.faults = [...again, ...less];
  run.worth = again.length ? "repeat" : less.length ? "usable" : "good";
}
