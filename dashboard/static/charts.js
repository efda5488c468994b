// Charts over time: a group of panels with one window of time and one cursor. Times are event times, not this device's clock.
/* global uPlot */

const PALETTE = ["--s1", "--s2", "--s3", "--s4", "--s5"];
const colours = new Map();
/** A colour of the style sheet. Asked for once: the browser would reckon the styles of the page anew each time. */
const css = name => colours.get(name) ?? colours.set(name, getComputedStyle(document.documentElement).getPropertyValue(name).trim()).get(name);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => colours.clear());
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const two = n => String(n).padStart(2, "0");

/** "Tue 3 Mar 09:14:07" in the shop's time zone where the server knows it, else in this device's. */
export function timeText(t, zone, seconds = true) {
  const d = zone ? uPlot.tzDate(new Date(t * 1000), zone) : new Date(t * 1000);
  const year = d.getFullYear() === new Date().getFullYear() ? undefined : "numeric";
  const day = d.toLocaleDateString("en-GB", { weekday: "short", day: "numeric", month: "short", year });
  return `${day} ${two(d.getHours())}:${two(d.getMinutes())}${seconds ? `:${two(d.getSeconds())}` : ""}`;
}

export function numberText(value, axis) {
  if (value == null) return "–";
  const text = value.toFixed(axis.decimals).replace("-", "−");
  return axis.symbol === "" ? text : `${text}${axis.symbol === "%" ? "\u00a0" : " "}${axis.symbol}`;
}

/** The numbers of an axis: as many decimals as its step has, a true minus, and no comma that a reader could take for a point. */
export function axisNumbers(splits, step) {
  let decimals = 0;
  while (decimals < 6 && Math.abs(step * 10 ** decimals - Math.round(step * 10 ** decimals)) > 1e-6) decimals++;
  return splits.map(v => {
    const [whole, part] = Math.abs(v).toFixed(decimals).split("."), grouped = whole.length < 5 ? whole : whole.replace(/\B(?=(\d{3})+$)/g, "\u202f");
    return `${v < 0 ? "\u2212" : ""}${grouped}${part ? `.${part}` : ""}`;
  });
}

const converted = (column, axis) => column.map(v => (v == null ? null : v * axis.factor + axis.offset));

/** Values of `other` (times shifted by `shift`) at the times `t`, null where there is none within a step. */
function aligned(t, other, column, shift, step) {
  let at = 0;
  return t.map(x => {
    while (at + 1 < other.length && other[at + 1] + shift <= x) at++;
    return other.length && Math.abs(other[at] + shift - x) <= 1.5 * step ? column[at] : null;
  });
}

/** The path of a line as several fine ones side by side: a browser without a graphics card takes ten times as long over one wide one. */
function fine(u, series, from, to) {
  const path = uPlot.paths.linear()(u, series, from, to), wide = new Path2D(), reach = Math.round(2 * devicePixelRatio) / 2 - 0.5;
  if (!path) return path;
  for (let by = -reach; by <= reach; by++) wide.addPath(path.stroke, new DOMMatrix([1, 0, 0, 1, 0, by]));
  for (const by of [-reach, reach]) wide.addPath(path.stroke, new DOMMatrix([1, 0, 0, 1, by, 0]));
  return { ...path, stroke: wide };
}

/** The values of some columns in order of size. */
function sorted(columns) { return Float64Array.from(columns.flat().filter(v => v != null)).sort(); }

/** One chart: a line for each series, the expected band under it, alarm spans along the top edge, journal marks. */
class Panel {
  constructor(group, holder, names) {
    this.group = group; this.names = names; this.plot = null; this.data = [[]];
    holder.classList.add("chart");
    holder.innerHTML = '<div class="title"><h3></h3><p class="num"></p></div><div class="plot" aria-hidden="true"></div><p class="empty" hidden></p>';
    [this.title, this.now] = holder.querySelectorAll("h3, .title p");
    this.box = holder.querySelector(".plot"); this.box.style.minHeight = `${group.height}px`; this.empty = holder.querySelector(".empty"); this.holder = holder;
    this.title.textContent = names.map(name => group.words[name] ?? name).join(", ");
  }

  /** Columns for the chart library, and the series that go with them. */
  build(trend, before) {
    const first = trend.axes[this.names[0]];
    this.axis = first;
    const columns = [trend.t], series = [{}], bands = [];
    const push = (column, options) => { columns.push(column); series.push({ points: { show: false }, spanGaps: false, ...options }); return columns.length - 1; };
    const quiet = { stroke: null, width: 0 };
    for (const name of this.names) {
      const band = trend.bands[name];
      if (!band) continue;
      // Suction is shown as positive: what is low in SI is then high.
      const [low, high] = (first.factor < 0 ? [band.high, band.low] : [band.low, band.high]).map(edge => converted(edge, first));
      bands.push({ series: [push(high, { ...quiet, role: "band" }), push(low, { ...quiet, role: "band" })], fill: css("--band") });
    }
    this.lines = []; this.edges = bands.length ? bands[0].series : null; this.limit = trend.limits?.[this.names[0]] ?? null;
    this.names.forEach((name, at) => {
      const colour = css(PALETTE[at % PALETTE.length]), axis = trend.axes[name], column = trend.columns[name];
      if (column.min && this.names.length === 1) {
        bands.push({ series: [push(converted(axis.factor < 0 ? column.min : column.max, axis), quiet), push(converted(axis.factor < 0 ? column.max : column.min, axis), quiet)], fill: colour + "40" });
      }
      if (before) push(converted(aligned(trend.t, before.t, before.columns[name].mean, trend.end - before.end, trend.step_s), axis), { stroke: colour, width: 1.5, dash: [3, 5] });
      const lone = trend.t.length < 3;
      this.lines.push(push(converted(column.mean, axis), { stroke: colour, width: 1 / devicePixelRatio, paths: fine, dash: [[], [10, 4], [2, 3], [12, 3, 2, 3], [6, 2]][at % 5], points: { show: lone } }));
    });
    this.data = columns;
    return { series, bands, shape: JSON.stringify([series.length, !!before, first.symbol, Object.keys(trend.bands)]) };
  }

  /** Takes new data; nothing is made of them before somebody looks. */
  show(trend, before) { this.source = [trend, before]; this.due = "data"; }

  /** Makes the columns of what was taken; whether there is anything to draw. */
  ready() {
    if (!this.source) return this.any;
    const [trend, before] = this.source;
    this.source = null;
    this.built = this.build(trend, before);
    this.any = this.lines.some(line => this.data[line].some(v => v != null));
    this.empty.hidden = this.any; this.box.hidden = !this.any;
    this.empty.textContent = trend.t.length ? "No reading of this in this time." : "The fan did not run in this time, or nothing was recorded.";
    if (this.any) this.range = this.reach();
    else this.now.textContent = "";
    return this.any;
  }

  /** Puts on the canvas what is due there: new data, or the same in a moved window. */
  paint() {
    const due = this.due, any = this.ready();
    this.due = "";
    if (!any) return;
    if (due === "window") return void this.plot?.setScale("x", this.group.window);
    const { series, bands, shape } = this.built;
    if (!this.plot || this.shape !== shape) {
      this.plot?.destroy();
      this.plot = new uPlot(this.options(series, bands), this.data, this.box);
      this.plot.setSize({ width: this.box.clientWidth || 300, height: this.group.height });
      this.shape = shape;
      this.group.gestures?.(this);
    } else this.plot.setData(this.data, false);
    this.plot.setScale("x", this.group.window);
    this.sayValue(null);
  }

  /** What the y axis holds: the values without the odd spike, the band, and the line at which something is to be done. */
  reach() {
    const seen = sorted(this.lines.map(line => this.data[line])), cut = Math.floor(seen.length / 200);
    const edges = sorted((this.edges ?? []).map(line => this.data[line])), off = Math.floor(edges.length / 50);
    const ends = [seen[cut], seen[seen.length - 1 - cut], ...(edges.length ? [edges[off], edges[edges.length - 1 - off]] : [])];
    if (this.limit) ends.push(this.limit.si * this.axis.factor + this.axis.offset);
    const low = Math.min(...ends), high = Math.max(...ends), room = Math.max((high - low) * 0.12, Math.abs(high) * 0.02, 1e-6);
    return [low >= 0 && low < room * 2 ? 0 : low - room, high + room];
  }

  /** The index that is "now": the last value, if it is fresh. What a fan left behind as it stopped is no present value. */
  get fresh() {
    const { trend, lastT, live } = this.group, column = this.data[this.lines[0]];
    let at = column.length - 1;
    while (at > 0 && column[at] == null) at--;
    return live && document.body.dataset.contact !== "lost" && at >= 0 && lastT - this.data[0][at] <= Math.max(2 * trend.step_s, 15) ? at : null;
  }

  words(at) {
    if (at == null) return "";
    const values = this.lines.map(line => numberText(this.data[line][at], this.axis)).join("  ");
    const [high, low] = (this.edges ?? []).map(line => this.data[line][at]);
    // What is expected follows the bags as they are; beside an alarm on the same thing nothing is called normal.
    const t = this.data[0][at], alarmed = this.group.trend.alarms.some(a => a.channel === this.names[0] && a.start <= t && (a.end ?? Infinity) >= t);
    if (alarmed) return `${values}, see the alarm`;
    if (low == null) return values;
    const now = at === this.fresh;
    if (now && !this.group.gatesKnown) return `${values}, gates not known`; // what is normal would be a guess
    return `${values}, ${now ? "normal" : "expected"} ${low.toFixed(this.axis.decimals)} to ${high.toFixed(this.axis.decimals)}`;
  }

  sayValue(index) {
    if (!this.lines || !this.plot) return;
    const text = this.words(index ?? this.fresh);
    if (this.now.textContent !== text) this.now.textContent = text;
  }

  /** The chart in a sentence, for those who do not see it. */
  sentence() {
    const seen = this.ready() && this.lines.flatMap(line => this.data[line].filter(v => v != null));
    if (!seen) return `${this.title.textContent}: nothing in this time.`;
    const show = value => numberText(value, this.axis), first = seen[0], last = seen[seen.length - 1];
    const mean = seen.reduce((sum, v) => sum + v, 0) / seen.length, limit = this.limit ? ` ${this.limit.words} at ${show(this.limit.si * this.axis.factor + this.axis.offset)}.` : "";
    return `${this.title.textContent}: began at ${show(first)}, ended at ${show(last)}; mean ${show(mean)}, from ${show(Math.min(...seen))} to ${show(Math.max(...seen))}.${limit}`;
  }

  options(series, bands) {
    const group = this.group, ink = css("--ink-2"), line = css("--line");
    const axis = { stroke: ink, grid: { stroke: line, width: 1 }, ticks: { stroke: line, width: 1, size: 5 }, font: "14px system-ui, sans-serif" };
    return {
      width: this.box.clientWidth || 300, height: group.height, legend: { show: false }, series, bands,
      padding: [12, 20, 0, 0],
      tzDate: group.zone ? t => uPlot.tzDate(new Date(t * 1000), group.zone) : undefined,
      scales: { x: { time: true, auto: false, range: () => [group.window.min, group.window.max] }, y: { range: () => this.range } },
      axes: [
        { ...axis, space: 64, size: 30, values: (u, splits, at, space, step) => splits.map(t => group.tickText(t, step)) },
        { ...axis, size: 58, space: 34, values: (u, splits, at, space, step) => axisNumbers(splits, step) },
      ],
      cursor: {
        sync: { key: group.key, scales: ["x", null] }, points: { size: 9 }, focus: { prox: -1 },
        drag: { x: !!group.interactive, y: false, setScale: false, dist: 8 }, bind: { dblclick: () => null },
      },
      hooks: {
        setCursor: [u => { this.sayValue(u.cursor.idx); group.sayTime(u.cursor.idx == null ? null : this.data[0][u.cursor.idx]); }],
        setSelect: [u => { if (group.interactive && u.select.width > 8) group.onMove?.(), group.zoomTo(u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x")); u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false); }],
        draw: [u => { this.drawLimit(u); group.drawMarks(u); }],
      },
    };
  }
}

let groups = 0;

/** The line at which something is to be done, and the dashed way to it where a forecast is known. */
Panel.prototype.drawLimit = function (u) {
  if (!this.limit) return;
  const { ctx, bbox } = u, r = devicePixelRatio, y = u.valToPos(this.limit.si * this.axis.factor + this.axis.offset, "y", true);
  ctx.save();
  ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
  ctx.strokeStyle = ctx.fillStyle = css("--stop"); ctx.lineWidth = 2 * r;
  ctx.beginPath(); ctx.moveTo(bbox.left, y); ctx.lineTo(bbox.left + bbox.width, y); ctx.stroke();
  ctx.font = `600 ${13 * r}px system-ui, sans-serif`; ctx.textBaseline = "bottom"; ctx.textAlign = "left";
  ctx.fillText(this.limit.words, bbox.left + 6 * r, y - 3 * r < bbox.top + 14 * r ? y + 17 * r : y - 3 * r);
  const column = this.data[this.lines[0]], last = column.findLastIndex(v => v != null);
  if (this.limit.in_s != null && last >= 0 && this.group.live) {
    ctx.strokeStyle = css("--s1"); ctx.setLineDash([7 * r, 5 * r]);
    ctx.beginPath(); ctx.moveTo(u.valToPos(this.data[0][last], "x", true), u.valToPos(column[last], "y", true));
    ctx.lineTo(u.valToPos(this.group.lastT + this.limit.in_s, "x", true), y); ctx.stroke();
  }
  ctx.restore();
};

export class Charts {
  /** `holder` gets the panels. `options`: panels (lists of series names), words, zone, span, interactive, onState. */
  constructor(holder, options) {
    Object.assign(this, { holder, words: {}, zone: "", interactive: false, compareBy: "", compare: 0, gatesKnown: true, onState: () => {}, onTime: () => {} }, options);
    this.key = `charts-${++groups}`; this.live = true; this.trend = null; this.busy = null; this.lastT = null;
    this.height = innerHeight < 480 ? 130 : innerWidth < 700 ? 160 : 180;
    this.window = { min: 0, max: 1 };
    this.eye = new IntersectionObserver(entries => {
      for (const { target, isIntersecting } of entries) {
        const panel = this.panels.find(one => one.holder === target);
        if (panel) panel.seen = isIntersecting;
      }
      this.draw();
    }, { rootMargin: "20px" });
    this.setPanels(options.panels);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.redraw());
    new ResizeObserver(() => { for (const panel of this.panels) panel.plot?.setSize({ width: panel.box.clientWidth, height: this.height }); }).observe(holder);
  }

  setPanels(lists) {
    for (const panel of this.panels ?? []) panel.plot?.destroy();
    this.holder.replaceChildren();
    this.eye.disconnect();
    this.panels = lists.map(names => { const box = document.createElement("div"); this.holder.append(box); return new Panel(this, box, names); });
    for (const panel of this.panels) this.eye.observe(panel.holder);
    this.names = [...new Set(lists.flat())];
  }

  redraw() {
    for (const panel of this.panels) { panel.plot?.destroy(); panel.plot = null; }
    if (this.trend) this.show();
  }

  show() {
    for (const panel of this.panels) panel.show(this.trend, this.before);
    this.draw();
  }

  /** Draws what is due and on the screen: the chart that is held, or else the uppermost, at once, and each other one in a frame of
   * its own. So a finger never waits for all of them. What is off the screen waits until it is seen. */
  draw() {
    const due = this.panels.filter(one => one.due && one.seen !== false), first = due.find(one => one === this.held) ?? due[0];
    first?.paint();
    if (due.length > 1) this.frame ??= requestAnimationFrame(() => { this.frame = null; this.draw(); });
  }

  get points() { return Math.max(60, Math.min(2000, Math.floor(this.holder.clientWidth - 78) || 600)); }

  async fetch(start, end, points) {
    const query = new URLSearchParams({ start, end, points });
    for (const name of this.names) query.append("series", name);
    const answer = await fetch(`/api/v1/trends?${query}`, { signal: this.busy.signal });
    const data = await answer.json();
    if (!answer.ok) throw new Error(data.error?.detail ?? `The dashboard answered ${answer.status}.`);
    return data;
  }

  /** Loads the window anew. A newer call ends an older one. */
  async load() {
    if (this.lastT == null) return;
    if (!this.names.length) return void this.onState(this, "Choose at least one thing to show.");
    if (this.live) this.window = this.latest();
    else this.span = this.window.max - this.window.min;
    this.compare = this.compareBy === "span" ? this.span : Number(this.compareBy) || 0;
    this.busy?.abort();
    this.busy = new AbortController();
    this.loads = (this.loads ?? 0) + 1;
    const { min } = this.window, max = Math.min(this.window.max, this.live ? this.lastT : Infinity);
    try {
      const wanted = [this.fetch(min, max, this.points)];
      if (this.compare) wanted.push(this.fetch(min - this.compare, max - this.compare, this.points));
      const [trend, before] = await Promise.all(wanted);
      this.trend = trend; this.before = before; this.loadedAt = performance.now();
      uPlot.sync(this.key);
      this.show();
      this.onState(this);
    } catch (error) {
      if (error.name !== "AbortError") this.onState(this, error.message);
    }
  }

  /** The latest time, with room for the forecast to the right of it. */
  latest() { return { min: this.lastT - this.span, max: this.lastT + (this.names.includes("drag_ratio") ? 0.15 * this.span : 0) }; }

  /** A new frame came. Follows it when the window is the latest time. */
  async tick(t) {
    const first = this.lastT == null;
    if (t == null || (t === this.lastT && this.trend)) return;
    this.lastT = t;
    if (first) return void this.load();
    if (!this.live || !this.trend || this.tailing) return;
    const step = this.trend.step_s, tail = this.trend.t.at(-1) ?? this.window.min;
    if (this.compare || t - tail > this.span / 2 || performance.now() - this.loadedAt > 300000) return void this.load();
    // Steps stand on a fixed grid. The last one may have been half full: from its beginning on, in the same steps.
    const ms = Math.max(1, Math.round(step * 1000)), from = Math.floor(tail * 1000 / ms) * ms;
    const count = Math.max(2, Math.floor((t * 1000 - from) / ms) + 1);
    if (t - tail < Math.max(step / 4, 0.5)) return;
    this.tailing = true;
    try {
      const loaded = this.loads, more = await this.fetch(from / 1000, (from + count * ms - 1) / 1000, count);
      if (loaded === this.loads && this.live) this.append(more, from / 1000); // a finger may have taken the window meanwhile
    } catch (error) {
      if (error.name !== "AbortError") this.onState(this, error.message);
    } finally { this.tailing = false; }
  }

  append(more, from) {
    const trend = this.trend, start = this.lastT - this.span;
    let keep = trend.t.length, drop = 0;
    while (keep > 0 && trend.t[keep - 1] >= from) keep--;
    while (drop < keep && trend.t[drop] < start) drop++;
    const join = (old, fresh) => (old || fresh ? [...(old ?? trend.t.map(() => null)).slice(drop, keep), ...(fresh ?? more.t.map(() => null))] : null);
    for (const name of this.names) {
      const a = trend.columns[name], b = more.columns[name];
      for (const part of ["mean", "min", "max"]) a[part] = join(a[part], b[part]);
      const band = trend.bands[name], fresh = more.bands[name];
      if (band || fresh) trend.bands[name] = { low: join(band?.low, fresh?.low), high: join(band?.high, fresh?.high) };
    }
    trend.t = join(trend.t, more.t); trend.end = this.lastT; trend.alarms = more.alarms.concat(trend.alarms.filter(a => !more.alarms.some(m => m.id === a.id)));
    trend.limits = more.limits;
    trend.journal = trend.journal.filter(j => !more.journal.some(m => m.id === j.id)).concat(more.journal);
    this.window = this.latest();
    this.show();
    this.onState(this);
  }

  setSpan(span) { this.span = span; this.live = true; return this.load(); }
  zoomTo(min, max) { if (max - min < 10) return undefined; this.live = false; this.window = { min, max }; return this.load(); }
  shift(share) { const by = this.span * share; return this.goTo(this.window.min + by, this.window.max + by); }
  zoom(factor) {
    const span = Math.min(20 * 366 * 86400, Math.max(30, this.span * factor));
    if (this.live) return this.setSpan(span);
    const middle = (this.window.min + this.window.max) / 2;
    return this.goTo(middle - span / 2, middle + span / 2);
  }
  goTo(min, max) {
    if (max >= this.lastT) { this.span = Math.max(30, max - min); this.live = true; return this.load(); }
    return this.zoomTo(min, max);
  }
  /** Moves the window while a finger is still down: with what is loaded. */
  drag(min, max) {
    this.live = false; this.window = { min, max };
    for (const panel of this.panels) panel.due ||= "window";
    this.draw();
  }

  tickText(t, step) {
    const d = this.zone ? uPlot.tzDate(new Date(t * 1000), this.zone) : new Date(t * 1000), month = MONTHS[d.getMonth()];
    if (step >= 86400 * 360) return String(d.getFullYear());
    if (step >= 86400 * 27) return d.getMonth() === 0 ? String(d.getFullYear()) : month;
    if (step >= 86400 || (d.getHours() === 0 && d.getMinutes() === 0 && this.span > 86400)) return `${d.getDate()} ${month}`;
    return `${two(d.getHours())}:${two(d.getMinutes())}${step < 60 ? `:${two(d.getSeconds())}` : ""}`;
  }

  /** Moves the one cursor to a share of the window, and tells what stands there. */
  point(share) {
    for (const one of this.panels) one.ready();
    const panel = this.panels.find(one => one.plot && !one.box.hidden);
    if (!panel) return "";
    panel.plot.setCursor({ left: Math.min(1, Math.max(0, share)) * panel.plot.over.clientWidth, top: 10 }, true, true);
    const at = panel.plot.cursor.idx;
    return at == null ? "" : `${timeText(panel.data[0][at], this.zone)}: ${this.panels.filter(one => one.lines && !one.box.hidden).map(one => `${one.title.textContent} ${one.words(at)}`).join("; ")}`;
  }

  /** What is seen as a table for a spreadsheet, in the viewer's units. */
  csv() {
    const shown = this.names.filter(name => this.trend.columns[name]), { axes, columns, t } = this.trend;
    const head = ["time", ...shown.map(name => `${this.words[name] ?? name} (${axes[name].symbol})`)].map(word => `"${word.replaceAll('"', '""')}"`).join(",");
    return [head, ...t.map((x, at) => [new Date(x * 1000).toISOString(), ...shown.map(name => { const v = columns[name].mean[at]; return v == null ? "" : (v * axes[name].factor + axes[name].offset).toFixed(axes[name].decimals + 1); })].join(","))].join("\r\n");
  }

  /** What is seen as one picture. */
  async png() {
    for (const panel of this.panels) if (panel.due) panel.paint();
    await new Promise(done => { setTimeout(done); });
    const plots = this.panels.filter(one => one.plot && !one.box.hidden), r = devicePixelRatio, head = 30 * r, out = document.createElement("canvas"), ctx = out.getContext("2d");
    out.width = Math.max(...plots.map(one => one.plot.ctx.canvas.width)); out.height = plots.reduce((sum, one) => sum + one.plot.ctx.canvas.height + head, head);
    ctx.fillStyle = css("--sheet"); ctx.fillRect(0, 0, out.width, out.height); ctx.fillStyle = css("--ink"); ctx.textAlign = "left"; ctx.font = `600 ${16 * r}px system-ui, sans-serif`;
    ctx.fillText(`${timeText(this.window.min, this.zone, false)} to ${timeText(this.window.max, this.zone, false)}`, 8 * r, 20 * r);
    let y = head;
    for (const one of plots) { ctx.fillText(one.title.textContent, 8 * r, y + 20 * r); ctx.drawImage(one.plot.ctx.canvas, 0, y + head); y += one.plot.ctx.canvas.height + head; }
    return new Promise(done => { out.toBlob(done, "image/png"); });
  }

  sayTime(t) { this.onTime(t == null ? "" : timeText(t, this.zone)); }

  /** Alarm spans as bars along the top edge, journal entries as dashed lines with a diamond. */
  drawMarks(u) {
    if (!this.trend) return;
    const { ctx, bbox } = u, ratio = devicePixelRatio, inside = x => x >= bbox.left && x <= bbox.left + bbox.width;
    ctx.save();
    // The more pressing, the thicker, and on top of what is less so: colour alone tells nothing.
    const weight = { plan: 3, soon: 5, stop: 8 }, spans = [...this.trend.alarms].sort((a, b) => weight[a.urgency] - weight[b.urgency]);
    for (const alarm of spans) {
      const from = Math.max(bbox.left, u.valToPos(alarm.start, "x", true)), to = Math.min(bbox.left + bbox.width, u.valToPos(alarm.end ?? this.lastT, "x", true));
      if (to < bbox.left || from > bbox.left + bbox.width) continue;
      ctx.fillStyle = css(`--${alarm.urgency}`);
      ctx.fillRect(from, bbox.top - (2 + weight[alarm.urgency]) * ratio, Math.max(3 * ratio, to - from), weight[alarm.urgency] * ratio);
    }
    ctx.strokeStyle = ctx.fillStyle = css("--ink-2"); ctx.lineWidth = ratio; ctx.setLineDash([3 * ratio, 4 * ratio]);
    for (const mark of this.trend.journal) {
      const x = u.valToPos(mark.t, "x", true);
      if (!inside(x)) continue;
      ctx.beginPath(); ctx.moveTo(x, bbox.top); ctx.lineTo(x, bbox.top + bbox.height); ctx.stroke();
      const y = bbox.top + bbox.height, s = 5 * ratio;
      ctx.beginPath(); ctx.moveTo(x, y - 2 * s); ctx.lineTo(x + s, y - s); ctx.lineTo(x, y); ctx.lineTo(x - s, y - s); ctx.fill();
    }
    ctx.restore();
  }
}

/** Words for a length of time. */
export function spanText(seconds) {
  for (const [size, word] of [[86400 * 365, "year"], [86400, "day"], [3600, "hour"], [60, "minute"]]) {
    if (seconds >= size * 0.99) { const n = seconds / size < 9.95 ? Math.round(seconds / size * 10) / 10 : Math.round(seconds / size); return `${n} ${word}${n === 1 ? "" : "s"}`; }
  }
  return `${Math.round(seconds)} seconds`;
}
