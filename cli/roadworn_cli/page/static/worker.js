"use strict";
/* Keeps the look-over sheets that were opened on this device, so that one opens without network. */
const NAME = "roadworn-page";
const MOST = 40;
const kept = (path) => path.startsWith("/static/") || /^\/v\/[^/]+\/(look-over|complaint|scan|photograph)$/.test(path);
self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== location.origin || !kept(url.pathname)) return;
  event.respondWith((async () => {
    const cache = await caches.open(NAME);
    try {
      const answer = await fetch(event.request);
      if (answer.ok && !answer.redirected) {
        await cache.put(event.request, answer.clone());
        const keys = await cache.keys();
        for (const old of keys.slice(0, Math.max(0, keys.length - MOST))) await cache.delete(old);
      }
      return answer;
    } catch (error) {
      const found = await cache.match(event.request);
      if (found) return found;
      throw error;
    }
  })());
});
