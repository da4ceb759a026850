// Opens the form of a set, and the choice of a bed, when the network is gone: the blank pages and
// the files that they need, nothing of a patient. FILES and VERSION stand above, put there by the server.
"use strict";
const CACHE = "plumbline-set-" + VERSION;
const SHELL = FILES[0], BEDS = FILES[FILES.length - 1];

self.addEventListener("install", e => {
	e.waitUntil(caches.open(CACHE).then(c => c.addAll(FILES.map(f => new Request(f, { cache: "reload" })))).then(() => self.skipWaiting()));
});

self.addEventListener("activate", e => {
	e.waitUntil((async () => {
		for (const name of await caches.keys()) if (name.startsWith("plumbline-set-") && name !== CACHE) await caches.delete(name);
		const cache = await caches.open(CACHE);
		for (const r of await cache.keys()) if (!FILES.includes(new URL(r.url).pathname)) await cache.delete(r);
		await self.clients.claim();
	})());
});

const patience = 6000; // a network that is there and does not answer

const page = async (request, shell) => {
	try {
		const late = new Promise((_, no) => setTimeout(no, patience));
		const answer = await Promise.race([fetch(request), late]);
		if (answer.status < 502) return answer;
	} catch { /* no network */ }
	return await caches.match(shell) || Response.error();
};

self.addEventListener("fetch", e => {
	const url = new URL(e.request.url);
	if (e.request.method !== "GET" || url.origin !== location.origin) return;
	if (e.request.mode === "navigate" && /^\/stays\/[^/]+\/new-set$/.test(url.pathname)) e.respondWith(page(e.request, SHELL));
	else if (e.request.mode === "navigate" && /^\/units\/[^/]+\/new-set$/.test(url.pathname)) e.respondWith(page(e.request, BEDS));
	else if (FILES.includes(url.pathname) && url.pathname !== SHELL && url.pathname !== BEDS) e.respondWith(caches.match(e.request).then(kept => kept || fetch(e.request)));
});
