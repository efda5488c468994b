// The fan curve: drawn, as built, the ducts, the cloud of a week, and the working points.
/* global uPlot */
import { library, onNow, painted } from "./base.js";
import { axisNumbers } from "./charts.js";

const holder = document.getElementById("curve");
const css = name => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
await painted;
await library(holder.dataset.library);
let plot = null, data = null, busy = false;

/** All x values in one sorted column; each curve gets its own column with gaps elsewhere. */
function columns(fan) {
  const shown = (pairs, axis = fan.y) => (pairs ?? []).map(([q, p]) => [q * fan.x.factor + fan.x.offset, p * axis.factor + axis.offset]);
  const point = p => (p ? [[p.flow_m3s, p.rise_pa]] : []);
  const tables = [fan.drawn_high, fan.drawn_low, fan.drawn, fan.as_built, fan.ducts_now, fan.cloud, point(fan.expected), point(fan.baseline), point(fan.now)]
    .map(pairs => { const s = shown(pairs).sort((a, b) => a[0] - b[0]); return s.length ? [s.map(p => p[0]), s.map(p => p[1])] : [[0], [null]]; });
  return uPlot.join(tables);
}

const mark = (colour, shape, size) => (u, series) => {
  const { ctx } = u, r = devicePixelRatio;
  ctx.save();
  ctx.setLineDash([]);
  ctx.fillStyle = colour; ctx.strokeStyle = css("--sheet"); ctx.lineWidth = 1.5 * r;
  u.data[series].forEach((y, i) => {
    if (y == null) return;
    const x = u.valToPos(u.data[0][i], "x", true), py = u.valToPos(y, "y", true), s = size * r;
    ctx.beginPath();
    if (shape === "ring") {
      // Hollow, so that a point under it is still seen.
      ctx.arc(x, py, s, 0, 7); ctx.lineWidth = 5.5 * r; ctx.stroke(); ctx.lineWidth = 3 * r; ctx.strokeStyle = colour; ctx.stroke();
      return;
    }
    if (shape === "dot") ctx.arc(x, py, s, 0, 7);
    else if (shape === "square") ctx.rect(x - s, py - s, 2 * s, 2 * s);
    else if (shape === "diamond") { ctx.moveTo(x, py - s); ctx.lineTo(x + s, py); ctx.lineTo(x, py + s); ctx.lineTo(x - s, py); ctx.closePath(); }
    ctx.fill();
    if (size > 3) ctx.stroke();
  });
  ctx.restore();
  return false;
};

function draw() {
  if (!data || !holder.clientWidth) return;
  plot?.destroy();
  const ink = css("--ink-2"), line = css("--line"), quiet = { stroke: null, points: { show: false }, spanGaps: true };
  const curve = (stroke, width, dash) => ({ stroke, width, dash, points: { show: false }, spanGaps: true });
  const marks = (colour, shape, size) => ({ stroke: null, paths: () => null, points: { show: mark(colour, shape, size) } });
  const axis = { stroke: ink, grid: { stroke: line, width: 1 }, ticks: { stroke: line, width: 1 }, font: "14px system-ui, sans-serif", labelFont: "14px system-ui, sans-serif", labelSize: 22, values: (u, splits, at, space, step) => axisNumbers(splits, step) };
  const room = (u, low, high) => [0, (high ?? 1) * 1.05];
  plot = new uPlot({
    width: holder.clientWidth, height: Math.max(320, Math.min(520, holder.clientWidth * 0.55)), legend: { show: false }, cursor: { show: false },
    scales: { x: { time: false, range: room }, y: { range: room } },
    axes: [{ ...axis, size: 34, space: 60, label: `air, ${data.x.symbol}` }, { ...axis, size: 56, space: 36, label: `pressure rise, ${data.y.symbol}` }],
    bands: [{ series: [1, 2], fill: css("--band") }],
    series: [{}, quiet, quiet, curve(css("--s1"), 2), curve(css("--s1"), 2, [10, 5]), curve(css("--s2"), 2, [3, 4]),
      marks(`${css("--ink-2")}66`, "dot", 2), marks(css("--s3"), "square", 6), marks(css("--s4"), "diamond", 8), marks(css("--ink"), "ring", 8)],
  }, columns(data), holder);
}

async function load() {
  const answer = await fetch("/api/v1/fan");
  if (!answer.ok) return;
  data = await answer.json();
  const row = p => { const r = document.createElement("tr"); [p.words, p.flow.shown, p.rise.shown].forEach((text, i) => { const c = document.createElement(i ? "td" : "th"); c.textContent = text; if (i) c.className = "num"; else c.scope = "row"; r.append(c); }); return r; };
  const points = [data.now, data.baseline, data.expected].filter(Boolean);
  document.getElementById("points").replaceChildren(...points.map(row));
  document.getElementById("points-sheet").hidden = !points.length;
  const items = (data.known ? data.sentences : [data.why, ...data.sentences]).map(text => { const li = document.createElement("li"); li.textContent = text; return li; });
  document.getElementById("sentences").replaceChildren(...items);
  holder.parentElement.hidden = !data.known; // no axes of made-up numbers
  draw();
}

new ResizeObserver(draw).observe(holder);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
load();
onNow(() => { if (busy) return; busy = true; load().finally(() => setTimeout(() => { busy = false; }, 4000)); });
