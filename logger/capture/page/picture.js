// A small picture of speed over time: the runs' pulls and coast-downs thicker than the rest, holes shaded.

const SVG = "http://www.w3.org/2000/svg";
const [WIDTH, HEIGHT, LEFT, BOTTOM, TOP] = [320, 120, 34, 18, 8];
const MOST_POINTS = 300;

function draw(tag, attributes, text) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  if (text) element.textContent = text;
  return element;
}

/** An SVG element; `words` say what it shows to those who do not see it. */
export function picture({ curve, runs, top_mps }, unit_mps, words) {
  const svg = draw("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, class: "picture", role: "img", "aria-label": words });
  if (curve.length < 2) return svg;
  const [begin, end] = [curve[0][0], curve.at(-1)[0]];
  const high = Math.max(20, Math.ceil(top_mps / unit_mps / 20) * 20);
  const x = (t) => (LEFT + ((t - begin) / (end - begin || 1)) * (WIDTH - LEFT - 4)).toFixed(1);
  const y = (v) => (HEIGHT - BOTTOM - (v / unit_mps / high) * (HEIGHT - BOTTOM - TOP)).toFixed(1);
  for (const speed of [0, high / 2, high]) {
    const level = y(speed * unit_mps);
    svg.append(draw("line", { class: "grid", x1: LEFT, x2: WIDTH - 4, y1: level, y2: level }),
      draw("text", { x: LEFT - 5, y: Number(level) + 4, "text-anchor": "end" }, String(speed)));
  }
  for (const run of runs) {
    for (const { start_s, seconds } of run.holes) {
      svg.append(draw("rect", { class: "hole", x: x(start_s), y: TOP, width: Math.max(2, x(start_s + seconds) - x(start_s)), height: HEIGHT - BOTTOM - TOP }));
    }
  }
  const line = (kind, from, to) => {
    const inside = curve.filter(([t]) => t >= from && t <= to);
    const every = Math.ceil(inside.length / MOST_POINTS);
    const points = inside.filter((_, k) => k % every === 0 || k === inside.length - 1);
    if (points.length > 1) svg.append(draw("polyline", { class: kind, points: points.map(([t, v]) => `${x(t)},${y(v)}`).join(" ") }));
  };
  line("rest", begin, end);
  for (const { pull, coast } of runs) {
    if (pull) line("pull", pull.start_s, pull.end_s);
    if (coast) line("coast", coast.start_s, coast.end_s);
  }
  const minutes = (t) => `${Math.floor(t / 60)}:${String(Math.round(t) % 60).padStart(2, "0")}`;
  svg.append(draw("text", { x: LEFT, y: HEIGHT - 4 }, "0:00"),
    draw("text", { x: WIDTH - 4, y: HEIGHT - 4, "text-anchor": "end" }, minutes(Math.floor(end - begin))));
  return svg;
}
