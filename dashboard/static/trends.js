// The page "Trends": any series, any time, moved by buttons, mouse, fingers or keys.
import { library, onNow, painted } from "./base.js";
import { Charts, spanText, timeText } from "./charts.js";
import { gestures } from "./gestures.js";

const $ = id => document.getElementById(id);
const holder = $("charts"), words = JSON.parse(holder.dataset.words), zone = holder.dataset.zone;
await painted;
await library(holder.dataset.library);
const query = new URLSearchParams(location.search);
const boxes = [...document.querySelectorAll("input[name=series]")];
const spanButtons = [...$("spans").querySelectorAll("button")];

const asked = query.getAll("series").filter(name => words[name]);
if (asked.length) for (const box of boxes) box.checked = asked.includes(box.value);
const chosen = () => boxes.filter(box => box.checked).map(box => box.value);

const run = { start: Number(holder.dataset.runStart) || null, end: Number(holder.dataset.runEnd) || null };
const charts = new Charts(holder, {
  panels: chosen().map(name => [name]), words, zone, span: 86400, interactive: true, gestures,
  onState: tell, onTime: text => { $("charts-time").textContent = text; },
});

/** The last run whole, or the last day where there was none: never an empty picture. */
function lastRun() {
  if (!run.start) return charts.setSpan(86400);
  if (!run.end) return charts.setSpan(Math.max(120, charts.lastT - run.start));
  const edge = Math.max(10, (run.end - run.start) * 0.03);
  charts.live = false;
  return charts.zoomTo(run.start - edge, run.end + edge);
}

const ASKS = { stop: "Stop now", soon: "Look today", plan: "When it suits" };

function row(tone, words, when) {
  const item = document.createElement("li"), strong = document.createElement("strong"), small = document.createElement("span");
  strong.textContent = words; strong.dataset.tone = tone; strong.className = "toned";
  small.textContent = ` ${when}`; small.className = "small num";
  item.append(strong, small);
  return item;
}

function tell(group, wrong) {
  $("charts-said").textContent = wrong ?? "";
  if (!group.trend || wrong) return;
  const { min } = group.window, max = group.live ? group.lastT : group.window.max, lost = document.body.dataset.contact === "lost";
  $("window").textContent = `${spanText(max - min)}: ${timeText(min, zone, false)} to ${group.live && !lost ? "now" : timeText(max, zone, false)}`;
  for (const button of spanButtons) button.setAttribute("aria-pressed", String(Number(button.value) === picked));
  const rows = [
    ...group.trend.alarms.map(a => [a.start, row(a.urgency, a.title, `${ASKS[a.urgency] ?? ""} \u00b7 ${timeText(a.start, zone, false)} to ${a.end == null ? (lost ? "then" : "now") : timeText(a.end, zone, false)}`)]),
    ...group.trend.journal.map(j => [j.t, row("quiet", j.words, timeText(j.t, zone, false))]),
  ].sort((a, b) => b[0] - a[0]).map(([, item]) => item);
  if (!rows.length) { const none = document.createElement("li"); none.textContent = "No alarm and no journal entry."; rows.push(none); }
  const list = $("in-this-time"), text = rows.map(item => item.textContent).join("|");
  if (list.dataset.text !== text) { list.dataset.text = text; list.replaceChildren(...rows); }
  if ($("in-words").open) inWords();
  remember();
}

addEventListener("lost", () => { tell(charts); for (const panel of charts.panels) panel.sayValue(null); });

function inWords() {
  $("sentences").replaceChildren(...charts.panels.map(panel => { const item = document.createElement("li"); item.textContent = panel.sentence(); return item; }));
}
$("in-words").addEventListener("toggle", inWords);

let picked = 0, address = null;

/** The page's address says what it shows: a reload or a link shows the same, and Back goes back to what was seen before. */
function remember() {
  const state = new URLSearchParams(asked.length || changed ? chosen().map(name => ["series", name]) : []), { min, max } = charts.window;
  if (picked === 0) state.set("span", "run");
  else if (charts.live) state.set("span", Math.round(charts.span));
  else { state.set("start", Math.round(min)); state.set("end", Math.round(max)); }
  const next = `?${state}`;
  if (next === address) return;
  const first = address == null;
  address = next;
  if (first) history.replaceState(null, "", next); else history.pushState(null, "", next);
}

let changed = false;

/** Shows what an address asks for. */
function follow(query) {
  const start = Number(query.get("start")), end = Number(query.get("end")), span = query.get("span");
  picked = !start && (span === "run" || !span) ? 0 : Number(span) || -1;
  if (start && end > start) { charts.live = false; return charts.zoomTo(start, end); }
  return picked === 0 ? lastRun() : charts.setSpan(picked);
}
addEventListener("popstate", () => { address = location.search; follow(new URLSearchParams(location.search)); });

function choose(span) { picked = span; return span ? charts.setSpan(span) : lastRun(); }
function free(move) { picked = -1; return move(); }
for (const button of spanButtons) button.addEventListener("click", () => choose(Number(button.value)));
const moves = {
  earlier: () => charts.shift(-0.5), later: () => charts.shift(0.5), in: () => charts.zoom(0.5), out: () => charts.zoom(2),
  latest: () => charts.setSpan(charts.span),
};
for (const button of document.querySelectorAll("[data-move]")) button.addEventListener("click", () => free(moves[button.dataset.move]));
charts.onMove = () => { picked = -1; };
for (const box of boxes) box.addEventListener("change", () => { changed = true; charts.setPanels(chosen().map(name => [name])); remember(); charts.load(); });
$("compare").addEventListener("change", event => {
  charts.compareBy = event.target.value;
  $("k-before").hidden = !event.target.value;
  charts.load();
});

// Keys: the arrows move the cursor, with Shift the window; plus and minus zoom, 0 shows the last run.
let at = 1;
holder.addEventListener("keydown", event => {
  const step = { ArrowLeft: -0.02, ArrowRight: 0.02 }[event.key], move = { "+": moves.in, "-": moves.out }[event.key];
  if (event.ctrlKey || event.metaKey || event.altKey || !(step || move || event.key === "0")) return;
  event.preventDefault();
  if (step && event.shiftKey) free(() => charts.shift(step * 10));
  else if (step) { at = Math.min(1, Math.max(0, at + step)); $("charts-said").textContent = charts.point(at); }
  else if (move) free(move);
  else choose(0);
});

function save(blob, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob); link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}
$("csv").addEventListener("click", () => save(new Blob([charts.csv()], { type: "text/csv" }), "ductwarden-trends.csv"));
$("png").addEventListener("click", async () => save(await charts.png(), "ductwarden-trends.png"));

let first = true;
onNow(data => {
  charts.gatesKnown = data.gates_known;
  if (first && data.t != null) {
    first = false;
    charts.lastT = data.t;
    return void follow(query);
  }
  charts.tick(data.t);
});
