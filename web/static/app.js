// Keeps a page current: the words beside times, and the page itself each minute.
// Without this script the page still works; its "refresh" is a plain link.
"use strict";
// Leaves the page when the session has ended for want of use: what stands on the
// screen must not outlive it. Signs of somebody at the screen keep the session.
(() => {
	const idle = document.body.dataset.idle * 1000;
	if (!idle) return;
	let used = Date.now(), told = used;
	const signIn = () => location.replace("/sign-in?next=" + encodeURIComponent(location.pathname + location.search));
	for (const sign of ["pointerdown", "keydown", "wheel", "touchstart"]) {
		document.addEventListener(sign, () => { used = Date.now(); }, { passive: true, capture: true });
	}
	// Asks whether the session lasts: in the quiet way, unless somebody has been here since.
	const ask = async () => {
		const headers = used > told ? {} : { "Plumbline-Refresh": "1" };
		told = Date.now();
		try {
			const answer = await fetch("/account", { method: "HEAD", headers, cache: "no-store" });
			if (answer.redirected) signIn();
			else used = Math.max(used, told - idle + Math.min(idle, 60000)); // in use in another window
		} catch {
			// Nobody answers: better an empty screen than an open one, unless the page
			// itself sees to it that no patient is shown.
			if (document.dispatchEvent(new Event("unreachable", { cancelable: true }))) signIn();
		}
	};
	setInterval(() => {
		const now = Date.now();
		if (now - used >= idle + 2000) ask();
		else if (used > told && now - told > idle / 3) ask();
	}, Math.min(15000, Math.max(500, idle / 10)));
})();

(() => {
	const body = document.body;
	if (!body.dataset.now) return; // an answer about another moment stands still

	// The moment is the server's: the clock of this machine may be wrong.
	let told = Date.parse(body.dataset.now), since = performance.now();
	const now = () => told + performance.now() - since;

	// The words are those of the catalogue, which the server hands over, with its verbs:
	// %s and %d in their order, or %[2]s where a language wants another one.
	const texts = JSON.parse(body.dataset.words);
	const fill = (key, ...args) => {
		let next = 0;
		return texts[key].replace(/%(?:\[(\d+)\])?[sd]/g, (_, place) => args[place ? place - 1 : next++]);
	};
	const span = ms => {
		const min = Math.floor(ms / 60000), h = Math.floor(min / 60);
		if (min < 1) return fill("under-a-minute");
		if (min < 60) return fill("minutes", min);
		if (min < 48 * 60) return min % 60 ? fill("hours-minutes", h, min % 60) : fill("hours", h);
		return fill("days", Math.round(min / 1440));
	};
	const words = {
		ago: d => d < 0 ? fill("in", span(-d)) : fill("ago", span(d)),
		due: d => d > 0 ? fill("overdue", span(d)) : fill("in", span(-d)),
	};
	const tick = () => {
		for (const e of document.querySelectorAll("[data-rel]")) {
			const text = words[e.dataset.rel](now() - Date.parse(e.dataset.at));
			if (e.textContent !== text) e.textContent = text;
		}
		if (!body.dataset.refresh && now() - Date.parse(body.dataset.now) > 5 * 60000) {
			say(fill("old"));
		}
	};

	const stale = document.getElementById("stale");
	const say = text => {
		if (stale.textContent !== text) stale.textContent = text;
		stale.hidden = !text;
	};

	let etag = "", failures = 0, busy = false;
	const fetchAnew = async () => {
		if (busy || document.hidden) return;
		busy = true;
		try {
			const headers = { "Plumbline-Refresh": "1" }; // by itself: no use of the session
			if (etag) headers["If-None-Match"] = etag;
			const answer = await fetch(location.href, { headers, cache: "no-store" });
			if (answer.redirected) { // the session has ended
				location.replace("/sign-in?next=" + encodeURIComponent(location.pathname + location.search));
				return;
			}
			if (answer.status === 200) {
				const page = new DOMParser().parseFromString(await answer.text(), "text/html");
				const main = page.getElementById("main");
				if (!main || !page.body.dataset.now) throw new Error("not this page");
				etag = answer.headers.get("ETag") || "";
				swap(main);
				told = Date.parse(page.body.dataset.now);
				since = performance.now();
				body.dataset.now = page.body.dataset.now;
			} else if (answer.status !== 304) {
				throw new Error("status " + answer.status);
			}
			failures = 0;
			say("");
		} catch {
			failures++;
			say(fill("not-refreshed", span(now() - Date.parse(body.dataset.now))));
		}
		busy = false;
		tick();
	};

	// swap puts the new content in place and leaves the reader where they were: the
	// same scroll, the same focus, the same details open, what was typed still there.
	const swap = fresh => {
		const main = document.getElementById("main");
		const active = document.activeElement && main.contains(document.activeElement) ? document.activeElement : null;
		const focus = active && path(active), caret = active && caretOf(active);
		const details = [...main.querySelectorAll("details[id]")].map(e => [e.id, e.open]);
		const typed = [...main.querySelectorAll("input[id], textarea[id], select[id]")].filter(changed)
			.map(e => [e.id, e.type === "checkbox" ? "checked" : "value", e.type === "checkbox" ? e.checked : e.value]);
		const y = scrollY;
		main.replaceChildren(...document.importNode(fresh, true).childNodes);
		for (const [id, open] of details) {
			const e = document.getElementById(id);
			if (e) e.open = open;
		}
		for (const [id, property, value] of typed) {
			const e = document.getElementById(id);
			if (e) e[property] = value;
		}
		const again = focus && find(focus);
		if (again) {
			again.focus({ preventScroll: true });
			if (caret) again.setSelectionRange(...caret);
		}
		scrollTo({ top: y, behavior: "instant" });
	};
	const changed = e => e.type === "checkbox" ? e.checked !== e.defaultChecked
		: e.tagName === "SELECT" ? [...e.options].some(o => o.selected !== o.defaultSelected) : e.value !== e.defaultValue;
	const caretOf = e => {
		try {
			return e.selectionStart === null || e.selectionStart === undefined ? null : [e.selectionStart, e.selectionEnd];
		} catch {
			return null; // of a kind that has none
		}
	};
	// What has no id is found again by where it leads and by what it stands in.
	const path = e => {
		const row = e.closest("tr")?.querySelector("[id]")?.id || "";
		const inside = e.parentElement.closest("li[id], details[id]")?.id || "";
		return { id: e.id, inside, row, href: e.getAttribute("href"), tag: e.tagName };
	};
	const find = p => {
		if (p.id) return document.getElementById(p.id);
		const within = (p.inside && document.getElementById(p.inside)) ||
			(p.row && document.getElementById(p.row)?.closest("tr")) || document.getElementById("main");
		return [...within.querySelectorAll(p.tag)].find(e => e.getAttribute("href") === p.href);
	};

	setInterval(tick, 15000);
	if (body.dataset.refresh) {
		setInterval(fetchAnew, body.dataset.refresh * 1000);
		document.addEventListener("visibilitychange", fetchAnew);
		document.addEventListener("click", e => {
			if (e.target.closest("a.refresh") && !e.ctrlKey && !e.metaKey && !e.shiftKey && e.button === 0) {
				e.preventDefault();
				fetchAnew();
			}
		});
	}
})();
