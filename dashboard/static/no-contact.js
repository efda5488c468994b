// The page that stands in while nothing answers: says since when, as far as this device knows, and goes on when it is back.
const heard = Number(localStorage.getItem("heard")), since = document.getElementById("since");
if (heard) since.textContent = `This device last heard of it on ${new Date(heard).toLocaleString([], { dateStyle: "medium", timeStyle: "short" })}.`;
setInterval(async () => {
  const answer = await fetch("/healthz", { signal: AbortSignal.timeout(4000), cache: "no-store" }).catch(() => null);
  if (answer) location.reload();
}, 5000);
