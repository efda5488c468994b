// The page "Now": the rules and the three trends.
import { onNow } from "./base.js";
import { rules } from "./rule.js";
import { Charts } from "./charts.js";

rules();
const holder = document.getElementById("charts");
const words = JSON.parse(holder.dataset.words);
const said = document.getElementById("charts-said");
const charts = new Charts(holder, {
  panels: [["inlet_pa"], ["filter_pa"], ["motor_a"]], words, zone: holder.dataset.zone, span: 3600,
  onState: (group, wrong) => { said.textContent = wrong ?? ""; },
  onTime: text => { document.getElementById("charts-time").textContent = text || "until now"; },
});
const buttons = [...document.querySelectorAll(".ranges button")];

function choose(span) {
  for (const button of buttons) button.setAttribute("aria-pressed", String(Number(button.value) === span));
  charts.setSpan(span);
  try { localStorage.setItem("now-span", String(span)); } catch { /* private windows have no memory */ }
}
for (const button of buttons) button.addEventListener("click", () => choose(Number(button.value)));
let remembered = 3600;
try { remembered = Number(localStorage.getItem("now-span")) || 3600; } catch { /* as above */ }
choose(remembered);
onNow(data => charts.tick(data.t));
