// Turns the pages of a wall every fifteen seconds, marks what has changed, and shows the time. Any key or
// touch stops the turning for five minutes. Without this script every bed stands on one long page.
"use strict";
document.addEventListener("DOMContentLoaded", () => {
	const PER_PAGE = 24, TURN = 15000, RESTS = 5 * 60000, MARKED = 15 * 60000;
	const main = document.getElementById("main"), el = id => document.getElementById(id);
	let page = 0, turned = Date.now(), stopped = 0;
	const known = new Map(); // by bed: how it stood, and when that changed
	const wide = () => innerWidth >= 1200;
	const beds = () => [...main.querySelectorAll(".w-beds > li")];
	const pages = () => wide() ? Math.max(1, Math.ceil(beds().length / PER_PAGE)) : 1;

	const mark = () => {
		const first = known.size === 0;
		for (const li of beds()) {
			const { bed, state } = li.dataset, was = known.get(bed);
			if (!was || was.state !== state) known.set(bed, { state, at: first ? 0 : Date.now() });
			const fresh = known.get(bed).at && Date.now() - known.get(bed).at < MARKED;
			li.classList.toggle("changed", !!fresh);
			let word = li.querySelector(".w-changed");
			if (fresh && !word) {
				word = Object.assign(document.createElement("span"), { className: "w-changed", textContent: el("wall").dataset.changed });
				li.querySelector(".w-bed").append(word);
			} else if (!fresh) word?.remove();
		}
	};
	const draw = () => {
		const all = pages();
		page = Math.min(page, all - 1);
		for (const [n, li] of beds().entries()) li.hidden = all > 1 && Math.floor(n / PER_PAGE) !== page;
		fit();
		const turn = main.querySelector(".w-turn"), words = el("wall").dataset;
		turn.hidden = all < 2;
		el("w-page").textContent = words.page.replace("#1", page + 1).replace("#2", all);
		el("w-stop").textContent = stopped ? words.go : words.stop;
		document.body.classList.toggle("w-stopped", !!stopped);
	};
	// A tile that holds more than its place is written smaller, so that no row grows and no bed leaves the display.
	const fit = () => {
		const over = li => li.scrollHeight > li.clientHeight + 1;
		for (const li of beds()) li.classList.remove("tight", "tighter");
		if (!wide()) return;
		for (const size of ["tight", "tighter"]) for (const li of beds().filter(e => !e.hidden && over(e))) li.classList.add(size);
	};
	const turnTo = n => { page = (n + pages()) % pages(); turned = Date.now(); draw(); };
	const stop = on => { stopped = on ? Date.now() : 0; turned = Date.now(); draw(); };

	// The moment is the server's, to the second: the page itself is that of its minute. Between two answers it runs on here.
	let told = "", since = 0;
	const clock = () => {
		const at = el("w-clock").dataset.server;
		if (at !== told) { told = at; since = performance.now(); }
		const now = new Date(Date.parse(told) + performance.now() - since);
		const text = new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: el("wall").dataset.zone }).format(now);
		if (el("w-clock").textContent !== text) el("w-clock").textContent = text;
	};

	document.addEventListener("keydown", e => {
		if (e.ctrlKey || e.metaKey || e.altKey || e.key === "Tab" || e.target.closest?.("a, button")) return;
		if (e.key === "ArrowRight" || e.key === "ArrowLeft") { stopped = Date.now(); turnTo(page + (e.key === "ArrowRight" ? 1 : -1)); return; }
		stop(!stopped);
	});
	document.addEventListener("click", e => {
		if (e.target.closest("a") || pages() < 2) return;
		stop(!stopped);
	});
	new MutationObserver(() => { mark(); draw(); clock(); }).observe(main, { childList: true });
	addEventListener("resize", draw);
	setInterval(() => {
		clock();
		if (stopped && Date.now() - stopped > RESTS) stop(false);
		if (!stopped && pages() > 1 && Date.now() - turned >= TURN) turnTo(page + 1);
	}, 1000);
	const awake = async () => { try { if (!document.hidden) await navigator.wakeLock?.request("screen"); } catch { /* the display may see to it itself */ } };
	document.addEventListener("visibilitychange", awake);
	awake();
	// An enrolled display says by itself that there is no network when it starts without one.
	const work = navigator.serviceWorker;
	if (work && location.pathname === "/wall") {
		work.register("/wall-worker.js", { scope: "/wall" }).catch(() => {});
		work.ready.then(r => r.active.postMessage("heard"));
	}
	mark();
	draw();
	clock();
});
