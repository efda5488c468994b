// One alarm's page: what may be done follows its state; a further step makes the page anew, since the history is part of it.
import { fill, onNow } from "./base.js";

const root = document.getElementById("one");
let due = 0;

async function refresh() {
  const answer = await fetch(`/api/v1/alarms/${root.dataset.id}`);
  if (!answer.ok) return;
  const data = await answer.json();
  if (String(data.transitions.length) !== root.dataset.steps) return void location.reload();
  fill(root, data.alarm);
}

onNow(() => {
  if (performance.now() < due) return;
  due = performance.now() + 1500;
  refresh();
});
root.addEventListener("done", () => setTimeout(refresh, 300));
