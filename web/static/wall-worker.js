// Shows a display that starts without a network since when there is none, in place of the browser's own
// page. It keeps that one blank page with its files and the hour of the last answer: nothing of a unit or a
// patient. FILES and VERSION stand above, put there by the server.
"use strict";
const CACHE = "plumbline-wall-" + VERSION, HEARD = "/wall/heard";
const SHELL = FILES[0], WALL = "/wall";

self.addEventListener("install", e => {
	e.waitUntil(caches.open(CACHE).then(c => c.addAll(FILES.map(f => new Request(f, { cache: "reload" })))).then(() => self.skipWaiting()));
});

self.addEventListener("activate", e => {
	e.waitUntil((async () => {
		for (const name of await caches.keys()) if (name.startsWith("plumbline-wall-") && name !== CACHE) await caches.delete(name);
		const cache = await caches.open(CACHE);
		for (const r of await cache.keys()) if (![...FILES, HEARD].includes(new URL(r.url).pathname)) await cache.delete(r);
		await self.clients.claim();
	})());
});

const patience = 10000; // a network that is there and does not answer
const heard = async () => (await caches.open(CACHE)).put(HEARD, new Response(new Date().toISOString()));

self.addEventListener("message", e => e.waitUntil(heard()));

const answered = async (request, shell) => {
	try {
		const late = new Promise((_, no) => setTimeout(no, patience));
		const answer = await Promise.race([fetch(request), late]);
		if (answer.status < 502) {
			await heard();
			return answer;
		}
		if (!shell) return answer;
	} catch { /* no network */ }
	return shell && await caches.match(shell) || Response.error();
};

self.addEventListener("fetch", e => {
	const url = new URL(e.request.url);
	if (e.request.method !== "GET" || url.origin !== location.origin) return;
	if (url.pathname === WALL) e.respondWith(answered(e.request, e.request.mode === "navigate" && SHELL));
	else if (FILES.includes(url.pathname) && url.pathname !== SHELL) e.respondWith(caches.match(e.request).then(kept => kept || fetch(e.request)));
});
