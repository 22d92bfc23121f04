// Runs of an outing -> how many each way, pairs, and what to do next. No page.

import { TYPICAL } from "./typical.js";

const SAME_DEG = 60;
const OUTING_MS = 12 * 3_600_000;

/** What is kept of a verdict: enough to count runs. */
export function summary({ runs }) {
  return {
    runs: runs.map(({ worth, bearing_deg, coast, holes, motion }) => ({
      worth, bearing_deg, coast: Boolean(coast), rough: holes.length > 0, motion: motion.share > 0.5,
    })),
  };
}

/** Entries of the same outing as `entry`, itself included: same vehicle and state, hours apart. */
export function outingOf(entry, entries) {
  const { vehicle = "", state = "" } = entry.facts;
  return entries.filter(({ facts, started_ms }) => Math.abs(started_ms - entry.started_ms) < OUTING_MS
    && (facts.vehicle ?? "") === vehicle && (facts.state ?? "") === state);
}

/** Count usable runs by direction: the first one's way is "forth". */
export function tally(entries) {
  const runs = [...entries].sort((a, b) => a.started_ms - b.started_ms).flatMap(({ verdict }) => verdict?.runs ?? [])
    .filter(({ worth, coast }) => worth !== "repeat" && coast);
  const first = runs.find(({ bearing_deg }) => bearing_deg !== null)?.bearing_deg ?? null;
  const count = { first, forth: 0, back: 0, other: 0 };
  for (const { bearing_deg } of runs) {
    const turned = bearing_deg === null || first === null ? 90 : Math.abs(((bearing_deg - first + 540) % 360) - 180);
    count[turned <= SAME_DEG ? "forth" : turned >= 180 - SAME_DEG ? "back" : "other"] += 1;
  }
  const motion = runs.length > 0 && runs.every((run) => run.motion);
  const phone = !motion ? "gps" : runs.some((run) => run.rough) ? "rough" : "clean";
  return { ...count, runs: runs.length, pairs: Math.min(count.forth, count.back), phone };
}

/** Half the usual interval [%] of so many pairs; null for none. */
export function typical(phone, pairs) {
  if (pairs < 1) return null;
  const at = Math.min(pairs, TYPICAL[phone].power.length) - 1;
  return { power: Math.ceil(TYPICAL[phone].power[at]), load: Math.ceil(TYPICAL[phone].load[at]) };
}

const POINTS = ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"];

export function compass(bearing_deg) {
  return POINTS[Math.round(bearing_deg / 45) % 8];
}

/** What to do next, in a sentence: [short, more]. `again` is whether the last run was spoilt. */
export function nextStep(count, again) {
  if (again) return ["Repeat this run, the same way.", ""];
  if (!count.runs) return ["Begin with a run.", ""];
  const { forth, back, pairs, phone, first } = count;
  if (forth !== back) {
    const way = compass((first + (forth > back ? 180 : 0)) % 360);
    return ["Now one the other way.", `Towards the ${way}, on the same stretch: both ways together tell wind and slope from drag.`];
  }
  if (!pairs) return ["Drive one more, on open road.", "The direction of the runs so far is not known."];
  const now = typical(phone, pairs);
  const next = typical(phone, pairs + 1);
  const many = ["", "One pair is", "Two pairs are", "Three pairs are", "Four pairs are"][pairs] ?? `${pairs} pairs are`;
  const better = next.power < now.power ? ` One pair more: ± ${next.power} %.` : "";
  return [`${many} there: typically ± ${now.power} %.`,
    `Of peak wheel power, in simulated sessions; road load ± ${now.load} %.${better} Your own interval is in the report.`];
}

export function counted({ forth, back, other, first }) {
  if (!(forth + back + other)) return "No usable run yet.";
  const parts = first === null ? [] : [`${forth} towards the ${compass(first)}`, `${back} the other way`];
  if (other) parts.push(`${other} of unknown or another direction`);
  return `Usable runs of this outing: ${parts.join(", ")}.`;
}
