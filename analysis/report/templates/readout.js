"use strict";
// Values to read off a figure: by the slider below it (arrow keys, touch), or by pointing at the curve.
// They come from the table that each figure's link holds; the page is complete without this.
(() => {
  const SVG = "http://www.w3.org/2000/svg";
  const tableOf = (link) =>
    decodeURIComponent(link.href.slice(link.href.indexOf(",") + 1)).trim().split("\n").map((line) => line.split(","));
  const add = (parent, name, given = {}) => parent.appendChild(Object.assign(document.createElement(name), given));

  for (const svg of document.querySelectorAll("svg[data-x]")) {
    const figure = svg.closest("figure");
    const link = figure.querySelector("a[download]");
    if (!link) continue;
    const [heads, ...lines] = tableOf(link);
    const low = heads.findIndex((head) => head.startsWith("95 % low"));
    const value = low < 0 ? heads.length - 1 : low - 1;
    const x = heads.findIndex((head, at) => at > 0 && head.includes("["));
    const [first, last, left, right] = svg.dataset.x.split(" ").map(Number);
    const [top, bottom] = svg.dataset.y.split(" ").map(Number);
    const unit = (at) => heads[at].slice(heads[at].indexOf("[") + 1, -1);

    const series = new Map();
    for (const line of lines) {
      if (line[value] === "" || (low >= 0 && line[low] === "")) continue;
      const key = low < 0 ? line[0] : "";
      if (!series.has(key)) series.set(key, []);
      series.get(key).push(line);
    }
    if (!series.size) continue;
    for (const some of series.values()) some.sort((a, b) => a[x] - b[x]);

    const box = document.createElement("div");
    box.className = "read";
    svg.after(box);
    const name = figure.querySelector("figcaption b").textContent;
    const choice = document.createElement("select");
    for (const key of series.keys()) add(choice, "option", { value: key, textContent: `run ${key}` });
    choice.setAttribute("aria-label", `Which run to read: ${name}`);
    if (series.size > 1) box.append(choice);
    const slider = add(box, "input", { type: "range", min: 0, step: 1 });
    slider.setAttribute("aria-label", `Read values: ${name}`);
    const text = add(box, "output", { textContent: "Move the slider, or point at the curve, to read values." });
    const cursor = svg.appendChild(document.createElementNS(SVG, "path"));
    cursor.setAttribute("class", "cursor");

    const chosen = () => series.get(series.size > 1 ? choice.value : [...series.keys()][0]);
    const show = () => {
      const line = chosen()[slider.value];
      const place = left + ((line[x] - first) / (last - first)) * (right - left);
      cursor.setAttribute("d", `M${place.toFixed(1)} ${top}V${bottom}`);
      const round = (at) => Number(line[at]).toPrecision(3).replace(/e\+.*/, "");
      const plain = (at) => String(Number(round(at)));
      const span = low < 0 ? "" : ` (${plain(low)} to ${plain(low + 1)}, 95 %)`;
      const what = heads[0] === "gear" && line[0] ? `, gear ${line[0]}` : low < 0 ? `, ${line[x + 1]}` : "";
      text.textContent = `${plain(x)} ${unit(x)}: ${plain(value)} ${unit(value)}${span}${what}`;
      slider.setAttribute("aria-valuetext", text.textContent);
    };
    const reset = () => {
      slider.max = chosen().length - 1;
      slider.value = Math.floor(chosen().length / 2);
    };
    reset();
    slider.addEventListener("input", show);
    choice.addEventListener("change", () => { reset(); show(); });
    svg.addEventListener("pointermove", (event) => {
      const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      const wanted = first + ((point.x - left) / (right - left)) * (last - first);
      const places = chosen().map((line) => Math.abs(line[x] - wanted));
      slider.value = places.indexOf(Math.min(...places));
      show();
    });
  }

  // what is folded is printed too, also where a browser does not open it by its style
  let folded = [];
  addEventListener("beforeprint", () => {
    folded = [...document.querySelectorAll("details:not([open])")];
    for (const one of folded) one.open = true;
  });
  addEventListener("afterprint", () => { for (const one of folded) one.open = false; });
})();
