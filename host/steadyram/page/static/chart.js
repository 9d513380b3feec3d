"use strict";
// Force against time as SVG: band of good parts, set force, the trace. Scales are kept on the element, so that
// what is drawn can be read back.
const Chart = (() => {
  const NS = "http://www.w3.org/2000/svg";
  const PAD = { left: 64, right: 14, top: 22, bottom: 34 };

  function make(parent, name, attributes, text) {
    const node = document.createElementNS(NS, name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    if (text !== undefined) node.textContent = text;
    parent.appendChild(node);
    return node;
  }

  function steps(most, wanted) {
    const raw = most / wanted, size = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 5, 10].map((k) => k * size).find((s) => s >= raw);
    const found = [];
    for (let v = 0; v <= most * 1.0001; v += step) found.push(v);
    return { found, digits: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
  }

  function draw(svg, shown) {
    const box = svg.getBoundingClientRect();
    const width = Math.max(300, box.width), height = Math.max(200, box.height);
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    svg.replaceChildren();
    const trace = shown.points, band = shown.band;
    const lastT = (list) => (list.length ? list[list.length - 1][0] : 0);
    const mostT = Math.max(0.5, lastT(trace) * 1.02, trace.length || !band ? 0 : band.time_s[band.time_s.length - 1],
      band && shown.live ? band.time_s[band.time_s.length - 1] : 0);
    let mostF = shown.setpoint_N * 1.2 || 1000;
    for (const [, f] of trace) if (f * 1.05 > mostF) mostF = f * 1.05;
    const x = (t) => PAD.left + (t / mostT) * (width - PAD.left - PAD.right);
    const y = (f) => height - PAD.bottom - (f / mostF) * (height - PAD.top - PAD.bottom);
    Object.assign(svg.dataset, { x0: x(0), xs: x(mostT), t: mostT, y0: y(0), ys: y(mostF), f: mostF });
    const forces = steps(mostF * shown.per_N, Math.min(6, height / 55));
    for (const v of forces.found) {
      const at = y(v / shown.per_N);
      make(svg, "line", { class: "grid", x1: PAD.left, x2: width - PAD.right, y1: at, y2: at });
      make(svg, "text", { x: PAD.left - 8, y: at + 5, "text-anchor": "end" }, v.toFixed(forces.digits));
    }
    make(svg, "text", { class: "axis", x: PAD.left - 8, y: PAD.top - 3, "text-anchor": "end" }, shown.unit);
    const times = steps(mostT, Math.min(6, width / 90));
    for (const v of times.found)
      make(svg, "text", { x: x(v), y: height - 10, "text-anchor": "middle" }, `${v.toFixed(times.digits)} s`);
    const join = (list) => list.map(([t, f]) => `${x(t).toFixed(2)},${y(f).toFixed(2)}`).join(" ");
    if (band) {
      const up = band.time_s.map((t, i) => [Math.min(t, mostT), Math.min(band.high_N[i], mostF)]);
      const down = band.time_s.map((t, i) => [Math.min(t, mostT), Math.min(band.low_N[i], mostF)]).reverse();
      make(svg, "polygon", { class: "band", points: join(up.concat(down)) });
    }
    if (shown.setpoint_N) {
      const at = y(shown.setpoint_N);
      make(svg, "line", { class: "set", x1: PAD.left, x2: width - PAD.right, y1: at, y2: at });
      make(svg, "text", { class: "settext", x: PAD.left + 8, y: at - 7 }, `set force ${shown.text(shown.setpoint_N)}`);
    }
    make(svg, "polyline", { class: shown.live ? "live" : "log", points: join(trace) });
  }
  return { draw };
})();
