// The page "Trends": any series, any time, moved by buttons, mouse, fingers or keys.
import { onNow } from "./base.js";
import { Charts, spanText, timeText } from "./charts.js";
import { gestures } from "./gestures.js";

const $ = id => document.getElementById(id);
const holder = $("charts"), words = JSON.parse(holder.dataset.words), zone = holder.dataset.zone;
const query = new URLSearchParams(location.search);
const boxes = [...document.querySelectorAll("input[name=series]")];
const spanButtons = [...$("spans").querySelectorAll("button")];

const asked = query.getAll("series").filter(name => words[name]);
if (asked.length) for (const box of boxes) box.checked = asked.includes(box.value);
const chosen = () => boxes.filter(box => box.checked).map(box => box.value);

const charts = new Charts(holder, {
  panels: chosen().map(name => [name]), words, zone, span: Number(query.get("span")) || 3600, interactive: true, gestures,
  onState: tell, onTime: text => { $("charts-time").textContent = text || "latest values"; },
});

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
  if (!group.trend) return;
  const { min, max } = group.window, live = group.live ? "until now" : `until ${timeText(max, zone)}`;
  $("window").textContent = `${spanText(max - min)}, from ${timeText(min, zone)} ${live}. One point is ${spanText(Math.max(1, group.trend.step_s))}.`;
  for (const button of spanButtons) button.setAttribute("aria-pressed", String(group.live && Number(button.value) === Math.round(group.span)));
  const rows = [
    ...group.trend.alarms.map(a => [a.start, row(a.urgency, a.title, `${ASKS[a.urgency] ?? ""} \u00b7 ${timeText(a.start, zone, false)} to ${a.end == null ? "now" : timeText(a.end, zone, false)}`)]),
    ...group.trend.journal.map(j => [j.t, row("quiet", j.words, timeText(j.t, zone, false))]),
  ].sort((a, b) => b[0] - a[0]).map(([, item]) => item);
  if (!rows.length) { const none = document.createElement("li"); none.textContent = "No alarm and no journal entry."; rows.push(none); }
  const list = $("in-this-time"), text = rows.map(item => item.textContent).join("|");
  if (list.dataset.text !== text) { list.dataset.text = text; list.replaceChildren(...rows); }
  remember();
}

/** The page's address says what it shows, so that a reload or a link shows the same. */
function remember() {
  const state = new URLSearchParams(chosen().map(name => ["series", name])), { min, max } = charts.window;
  if (charts.live) state.set("span", Math.round(charts.span));
  else { state.set("start", Math.round(min)); state.set("end", Math.round(max)); }
  history.replaceState(null, "", `?${state}`);
}

for (const button of spanButtons) button.addEventListener("click", () => charts.setSpan(Number(button.value)));
const moves = {
  earlier: () => charts.shift(-0.5), later: () => charts.shift(0.5), in: () => charts.zoom(0.5), out: () => charts.zoom(2),
  latest: () => charts.setSpan(charts.span),
};
for (const button of document.querySelectorAll("[data-move]")) button.addEventListener("click", () => moves[button.dataset.move]());
for (const box of boxes) box.addEventListener("change", () => { charts.setPanels(chosen().map(name => [name])); remember(); charts.load(); });
$("compare").addEventListener("change", event => {
  charts.compareBy = event.target.value;
  $("k-before").hidden = !event.target.value;
  charts.load();
});

let first = true;
onNow(data => {
  if (first && data.t != null) {
    first = false;
    const start = Number(query.get("start")), end = Number(query.get("end"));
    if (start && end > start) { charts.lastT = data.t; charts.zoomTo(start, end); return; }
  }
  charts.tick(data.t);
});
