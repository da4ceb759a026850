// Keeps a page current: the words beside times, and the page itself each minute.
// Without this script the page still works; its "refresh" is a plain link.
"use strict";
// What was typed outlives the end of a session: it stays in this window, without passwords,
// until its page is open again under the same account. Whoever else signs in drops it.
const typed = (() => {
	const KEY = "plumbline.typed", LONGEST = 200000, LASTS = 12 * 3600e3;
	const read = () => { try { return JSON.parse(sessionStorage.getItem(KEY)); } catch { return null; } };
	const drop = () => { try { sessionStorage.removeItem(KEY); } catch { /* nothing is kept then */ } };
	const write = what => { try { const text = JSON.stringify(what); if (text.length < LONGEST) sessionStorage.setItem(KEY, text); } catch { /* as above */ } };
	const who = () => document.querySelector('.who a[href="/account"]')?.textContent || "";
	// A page that answers a form has no address of its own: the one before it leads back.
	const PAGE = "plumbline.page", posted = () => !!document.body.dataset.posted;
	const here = () => { try { return posted() && sessionStorage.getItem(PAGE) || location.pathname + location.search; } catch { return "/"; } };
	const forms = () => [...document.querySelectorAll('form[method="post"]')].filter(f => f.id !== "set-form" && f.getAttribute("action") !== "/sign-out");
	const ticked = e => e.type === "checkbox" || e.type === "radio";
	const fields = form => [...form.elements].filter(e => e.name && !["password", "hidden", "file", "submit", "button", "reset"].includes(e.type));
	const changed = e => ticked(e) ? e.checked !== e.defaultChecked
		: e.tagName === "SELECT" ? [...e.options].some(o => o.selected !== o.defaultSelected) : e.value !== e.defaultValue;
	// keep keeps what stands in the forms of this page and was typed.
	const keep = () => {
		if (!who()) return;
		const all = [];
		for (const [n, form] of forms().entries()) {
			for (const e of fields(form)) {
				if (!changed(e) && !(posted() && !ticked(e) && e.value)) continue;
				const k = fields(form).filter(f => f.name === e.name).indexOf(e);
				all.push({ action: form.getAttribute("action"), n, k, name: e.name, value: ticked(e) ? e.checked : e.value });
			}
		}
		if (all.length || document.getElementById("set-form")) write({ who: who(), path: here(), at: Date.now(), all });
	};
	// giveBack puts it where it was typed.
	const giveBack = kept => {
		let given = 0;
		for (const t of kept.all) {
			const same = forms().filter(f => f.getAttribute("action") === t.action && fields(f).some(e => e.name === t.name));
			const form = same.includes(forms()[t.n]) ? forms()[t.n] : same[0];
			const e = form && fields(form).filter(f => f.name === t.name)[t.k];
			if (!e) continue;
			if (ticked(e)) e.checked = t.value; else e.value = t.value;
			for (let d = e.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
			e.dispatchEvent(new Event("input", { bubbles: true }));
			given++;
		}
		if (given) document.getElementById("typed-back").hidden = false;
	};
	const signInPage = kept => {
		const says = document.getElementById("typed-kept");
		if (!says || !kept || Date.now() - kept.at > LASTS) return;
		says.hidden = false;
		write({ ...kept, out: true });
		const next = document.querySelector('form [name="next"]');
		if (next?.value === "/") next.value = kept.path;
		for (const a of document.querySelectorAll('a[href^="/sign-in/oidc"]')) {
			const to = new URL(a.href);
			if (!to.searchParams.get("next")) to.searchParams.set("next", kept.path);
			a.href = to;
		}
	};
	document.addEventListener("DOMContentLoaded", () => {
		const kept = read();
		if (location.pathname === "/sign-in") return signInPage(kept);
		if (!who()) return;
		try { if (!posted()) sessionStorage.setItem(PAGE, location.pathname + location.search); } catch { /* as above */ }
		if (!kept) return;
		if (!kept.out || kept.who !== who() || Date.now() - kept.at > LASTS) return drop(); // it was taken, or is another's
		if (kept.path !== here()) return;
		drop();
		giveBack(kept);
	});
	document.addEventListener("submit", e => { if (e.target.method === "post" && !e.defaultPrevented) keep(); });
	return { keep };
})();

// Shows the codes of rules on this page, by a button and a key that is no letter and that
// browsers and readers of screens leave alone. What the account keeps is said on its own page.
(() => {
	const button = document.getElementById("show-codes");
	if (!button) return;
	button.hidden = false;
	const turn = () => button.setAttribute("aria-pressed", document.body.classList.toggle("codes"));
	button.addEventListener("click", turn);
	document.addEventListener("keydown", e => {
		if (e.key !== "F2" || e.ctrlKey || e.metaKey || e.altKey || e.shiftKey) return;
		e.preventDefault();
		turn();
	});
})();

// Leaves the page when the session has ended for want of use: what stands on the
// screen must not outlive it. Signs of somebody at the screen keep the session.
(() => {
	const idle = document.body.dataset.idle * 1000;
	if (!idle) return;
	let used = Date.now(), told = used;
	const signIn = () => {
		typed.keep();
		location.replace("/sign-in?next=" + encodeURIComponent(location.pathname + location.search));
	};
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
		ago: d => d <= -60000 ? fill("in", span(-d)) : fill("ago", span(d)),
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

	const files = page => [...page.querySelectorAll("link[rel=stylesheet], script[src]")].map(e => e.getAttribute("href") || e.getAttribute("src")).join();
	let etag = "", failures = 0, busy = false;
	const fetchAnew = async () => {
		if (busy || document.hidden) return;
		busy = true;
		try {
			const headers = { "Plumbline-Refresh": "1" }; // by itself: no use of the session
			if (etag) headers["If-None-Match"] = etag;
			const answer = await fetch(location.href, { headers, cache: "no-store" });
			if (answer.redirected && new URL(answer.url).pathname === "/wall/enrol") return location.replace(answer.url); // it was ended
			if (answer.redirected) { // the session has ended
				typed.keep();
				location.replace("/sign-in?next=" + encodeURIComponent(location.pathname + location.search));
				return;
			}
			if (answer.status === 200) {
				const page = new DOMParser().parseFromString(await answer.text(), "text/html");
				const main = page.getElementById("main");
				if (!main || !page.body.dataset.now) throw new Error("not this page");
				// A wall stands for weeks: what the program has new in style and script comes with the page.
				if (main.querySelector("#wall") && files(page) !== files(document)) return location.reload();
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
		const row = e.closest("tr, li.row")?.querySelector("[id]")?.id || "";
		const inside = e.parentElement.closest("li[id], details[id]")?.id || "";
		return { id: e.id, inside, row, href: e.getAttribute("href"), tag: e.tagName };
	};
	const find = p => {
		if (p.id) return document.getElementById(p.id);
		const within = (p.inside && document.getElementById(p.inside)) ||
			(p.row && document.getElementById(p.row)?.closest("tr, li.row")) || document.getElementById("main");
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

// Copies the texts that a button names, those in its own part of the page or of the whole
// list, one below the other. Where the browser does not let it, the text is selected.
document.addEventListener("click", async e => {
	const button = e.target.closest("[data-copy]");
	if (!button) return;
	const within = button.closest("details.handover-text") || document;
	const texts = [...within.querySelectorAll(button.dataset.copy)];
	const says = button.parentElement.querySelector("[role=status]");
	try {
		await navigator.clipboard.writeText(texts.map(t => t.value).join("\n\n"));
		says.textContent = button.dataset.copied;
	} catch {
		texts[0]?.select();
		says.textContent = button.dataset.byHand;
	}
});
