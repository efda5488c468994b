// One alarm's page: what may be done follows its state.
import { fill, onNow } from "./base.js";

const root = document.getElementById("one");
let last = "";

async function refresh() {
  const answer = await fetch(`/api/v1/alarms/${root.dataset.id}`);
  if (!answer.ok) return;
  const data = await answer.json();
  fill(root, data.alarm);
  const steps = String(data.transitions.length);
  // A step was taken, here or elsewhere: the history is part of the page.
  if (last && last !== steps) location.reload();
  last = steps;
}
let wait = 0;
onNow(() => { if (Date.now() > wait) { wait = Date.now() + 2000; refresh(); } });
