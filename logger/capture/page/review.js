// The verdict on the page: picture, what was driven, gate times, what to do next.

import { AT } from "./files.js";
import { counted, nextStep, outingOf, summary, tally } from "./outing.js";
import { picture } from "./picture.js";
import { mps } from "./settings.js";
import { samplesOf, verdict } from "./verdict.js";
import { $, make, setText } from "./view.js";
import { runWords, speedWords } from "./words.js";

const STEP = { "km/h": 20, mph: 10 };

/** Lines of a recording -> its verdict. */
export function verdictOf(entry, lines, unit) {
  const { target_mps = null, low_mps = null } = entry.facts;
  return verdict(samplesOf(lines, AT), { unit_mps: mps(1, unit), step: STEP[unit], target_mps, low_mps });
}

/** Show a verdict; returns what to keep of it. */
export function showVerdict(entry, found, entries, unit) {
  const unit_mps = mps(1, unit);
  const kept = summary(found);
  const all = entries.map((other) => (other.id === entry.id ? { ...other, verdict: kept } : other));
  const count = tally(outingOf(entry, all));
  const texts = found.runs.map((run) => runWords(run, unit, unit_mps));
  const again = !found.runs.length || found.runs.at(-1).worth === "repeat";
  const [next, more] = nextStep(count, again);
  const top = found.top_mps === null ? "No speed came with it." : `Top speed ${speedWords(found.top_mps, unit, unit_mps)}.`;
  setText($("next-step"), next);
  setText($("next-more"), more);
  setText($("tally"), counted(count));
  setText($("top-speed"), top);
  setText($("times-note"), `Speeds in ${unit}. From GPS alone; ± holds the receiver's lag and smoothing. Power and drag: in the report.`);
  const blocks = texts.map((text, index) => block(text, texts.length > 1 ? `Run ${index + 1}: ` : ""));
  if (!texts.length) {
    blocks.push(make("p", { className: "worth repeat", textContent: "No run in it" }),
      make("p", { textContent: "A run is a pull at full throttle, then rolling in neutral without the brake." }));
  }
  $("runs").replaceChildren(picture(found, unit_mps, `Speed over time. ${top}`), ...blocks);
  return kept;
}

function block(text, prefix) {
  const section = make("div", { className: "run" },
    make("p", { className: `worth ${text.worth}`, textContent: prefix + text.title }),
    ...text.faults.map((words) => make("p", { className: "fault", textContent: words })),
    make("p", { textContent: text.driven.join(" ") }));
  if (text.gates.length) {
    const rows = text.gates.map(([what, time]) => make("div", {}, make("dt", { textContent: what }), make("dd", { textContent: time })));
    section.append(make("dl", { className: "gates" }, ...rows));
  }
  return section;
}

/** The count on the screen before a run: what is there, and what to do next. */
export function standing(entries, facts) {
  const [newest] = entries;
  const outing = newest ? outingOf({ facts, started_ms: Date.now() }, entries) : [];
  const seen = outing.find((entry) => entry.verdict);
  if (!seen) return "";
  const again = !seen.verdict.runs.length || seen.verdict.runs.at(-1).worth === "repeat";
  const count = tally(outing);
  return `${counted(count)} ${nextStep(count, again)[0]}`;
}
