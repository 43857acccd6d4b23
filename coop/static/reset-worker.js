// Keeps pages of moves on a phone, with what they are made of: the network's comes first, the kept one when there is none.

const KEPT = "reset-moves-1";
const MOVES = /\/resets\/days\/\d+\/moves$/;

self.addEventListener("install", () => self.skipWaiting());

self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("message", (event) => {
  const wanted = event.data?.keep;
  if (Array.isArray(wanted)) event.waitUntil(keepAll(wanted));
});

async function keepAll(addresses) {
  const cache = await caches.open(KEPT);
  for (const address of addresses) {
    try {
      const answer = await fetch(address, { credentials: "same-origin" });
      if (answer.ok && !answer.redirected) await cache.put(address, answer);
    } catch {
      return;
    }
  }
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  if (request.method !== "GET") return;
  const address = new URL(request.url);
  if (address.origin !== location.origin) return;
  if (request.mode === "navigate") {
    if (MOVES.test(address.pathname)) event.respondWith(page(request, address.pathname));
    return;
  }
  if (address.pathname.startsWith("/static")) event.respondWith(file(request));
});

/** The page from the network, kept anew; the kept one without a network. A page that is refused is forgotten. */
async function page(request, pathname) {
  const cache = await caches.open(KEPT);
  try {
    const answer = await fetch(request);
    if (answer.ok && answer.type === "basic") await cache.put(pathname, answer.clone());
    else if (!answer.ok) await cache.delete(pathname);
    return answer;
  } catch (error) {
    const kept = await cache.match(pathname);
    if (kept) return kept;
    throw error;
  }
}

async function file(request) {
  try {
    return await fetch(request);
  } catch (error) {
    const kept = await caches.match(request.url);
    if (kept) return kept;
    throw error;
  }
}
