// Stored pieces -> files: the own table, and GPX.

import { COLUMNS, headLines } from "./rows.js";

export const AT = Object.fromEntries(COLUMNS.map((name, index) => [name, index]));

/** Lines in order of their stamps; fixes carry older stamps than the motion that came with them. */
async function sortedLines(store, id, more) {
  const lines = [];
  for await (const text of store.texts(id)) lines.push(...text.split("\n"));
  lines.push(...more.split("\n"));
  const stamped = lines.filter(Boolean).map((line) => [parseFloat(line), line]);
  stamped.sort((a, b) => a[0] - b[0]);
  return stamped.map(([, line]) => line);
}

/** The recording as it goes out. The same recording always gives the same bytes. */
export async function tableOf(store, entry, more = "") {
  const lines = await sortedLines(store, entry.id, more);
  const text = [...headLines(entry.facts), ...lines].join("\n") + "\n";
  return { file: new File([text], `${fileStem(entry)}.csv`, { type: "text/csv" }), lines };
}

/** Positions with speed as GPX 1.0, which has an element for speed; null without positions. */
export function gpxOf(entry, lines) {
  const points = [];
  for (const line of lines) {
    const cells = line.split(",");
    const [latitude, longitude] = [cells[AT.latitude_deg], cells[AT.longitude_deg]];
    if (!latitude || !longitude) continue;
    const time = new Date(Math.round(Number(cells[AT.time_s]) * 1000)).toISOString();
    const extra = [
      ["ele", cells[AT.elevation_m]], ["time", time],
      ["course", cells[AT.heading_deg]], ["speed", cells[AT.speed_mps]],
    ];
    points.push(`<trkpt lat="${plain(latitude)}" lon="${plain(longitude)}">` +
      extra.filter(([, v]) => v).map(([tag, v]) => `<${tag}>${v}</${tag}>`).join("") + "</trkpt>");
  }
  if (!points.length) return null;
  const text = `<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.0" creator="pullcoast" xmlns="http://www.topografix.com/GPX/1/0">
<trk><name>${escaped(entry.name)}</name><trkseg>
${points.join("\n")}
</trkseg></trk>
</gpx>
`;
  return new File([text], `${fileStem(entry)}.gpx`, { type: "application/gpx+xml" });
}

/** Decimal without an exponent. */
function plain(number) {
  return number.includes("e") ? Number(number).toFixed(8) : number;
}

function escaped(words) {
  const safe = words.replace(/[\u0000-\u001f\u007f]/g, " ");
  return safe.replaceAll("&", "&amp;").replaceAll("<", "&lt;").replaceAll(">", "&gt;");
}

/** A file name that every system takes: the recording's name, and when it began. */
export function fileStem(entry) {
  const start = new Date(entry.started_ms);
  const two = (number) => String(number).padStart(2, "0");
  const stamp = `${start.getFullYear()}-${two(start.getMonth() + 1)}-${two(start.getDate())}_` +
    [start.getHours(), start.getMinutes(), start.getSeconds()].map(two).join("");
  if (!entry.named) return `run_${stamp}`;
  const name = entry.name.normalize("NFC").replace(/[^\p{L}\p{N}]+/gu, "_").replace(/^_+|_+$/g, "");
  return `${name.slice(0, 60) || "run"}_${stamp}`;
}

/** Hand a file to the share sheet, or where there is none to the downloads. */
export async function handOver(file) {
  if (navigator.canShare?.({ files: [file] })) {
    try {
      await navigator.share({ files: [file] });
      return "shared";
    } catch (error) {
      if (error.name === "AbortError") return "left";
      // refused: the downloads take it
    }
  }
  const link = document.createElement("a");
  link.href = URL.createObjectURL(file);
  link.download = file.name;
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
  return "saved";
}
