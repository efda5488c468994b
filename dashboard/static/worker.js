// Where the browser allows it (on this computer, or over https): a page that is asked for while nothing answers is the grey one
// that says so, not the browser's own. Nothing of the shop is kept: an old reading must not pass for the present.
const CACHE = "no-contact", PATIENCE_MS = 10000;

self.addEventListener("install", event => event.waitUntil((async () => {
  const answer = await fetch("/no-contact"), text = await answer.clone().text(), cache = await caches.open(CACHE);
  await cache.put("/no-contact", answer);
  await cache.addAll(text.match(/\/static\/[\w./-]+/g));
  await self.skipWaiting();
})()));

self.addEventListener("fetch", event => {
  const file = new URL(event.request.url).pathname.startsWith("/static/");
  if (event.request.mode === "navigate" && event.request.method === "GET") {
    event.respondWith(fetch(event.request, { signal: AbortSignal.timeout(PATIENCE_MS) }).catch(() => caches.match("/no-contact")));
  } else if (file) event.respondWith(caches.match(event.request).then(kept => kept ?? fetch(event.request)));
});
