// Leads through a set step by step, on a phone whose network and screen come and go.
// What is entered stays on the device, under the account and the stay and without a
// name, until the server has taken it. Countdowns are worked out of moments, so that
// a locked screen or a reload loses none. Without this script the page is a plain form.
"use strict";
(() => {
	const root = document.documentElement;
	root.classList.add("stepped"); // before anything is drawn
	const PREFIX = "plumbline.set.", DAY = 24 * 3600e3;

	const kept = {
		get: key => { try { return localStorage.getItem(PREFIX + key); } catch { return null; } },
		set: (key, value) => { try { localStorage.setItem(PREFIX + key, value); } catch { /* then only this page knows it */ } },
		drop: key => { try { localStorage.removeItem(PREFIX + key); } catch { /* as above */ } },
		keys: () => { try { return Object.keys(localStorage).filter(k => k.startsWith(PREFIX)).map(k => k.slice(PREFIX.length)); } catch { return []; } },
	};
	const read = key => { try { return JSON.parse(kept.get(key)); } catch { return null; } };
	const keyOf = (account, stay) => "draft." + account + "." + stay;
	let account = "0";

	// Moments are the server's: the clock of this device may be wrong.
	let offset = Number(kept.get("offset")) || 0;
	const now = () => Date.now() + offset;

	// A set that was opened and not begun is kept so that it can be begun without the network; it is nothing unsent.
	const blank = d => !Object.keys(d.values).length;
	const drafts = () => kept.keys().filter(k => k.startsWith("draft." + account + ".")).map(read).filter(d => d && d.stay && !blank(d));
	// purge drops what was not begun in two hours, what was never sent for a day, and what
	// the server never took for a week.
	const purge = () => {
		for (const key of kept.keys()) {
			if (!key.startsWith("draft.")) continue;
			const d = read(key);
			if (!d || now() - d.begun > (d.queued || d.answer ? 7 : blank(d) ? 1 / 12 : 1) * DAY) kept.drop(key);
		}
	};
	const pathOf = stay => "/stays/" + encodeURIComponent(stay) + "/new-set";

	// What is sent of a draft: the fields of the plain form.
	const bodyOf = d => {
		const b = new URLSearchParams(), m = d.moments, v = d.values;
		const put = (name, values) => { for (const x of [].concat(values ?? [])) if (x !== "") b.append(name, x); };
		const taken = name => ["systolic", "diastolic", "pulse"].some(part => v[name + "_" + part]?.[0]);
		const reading = (name, at, from, position) => {
			put(name + "_at", new Date(at).toISOString());
			if (from) put(name + "_minutes", (Math.max(0, at - from) / 60000).toFixed(1));
			put(name + "_position", position);
			for (const part of ["systolic", "diastolic", "pulse"]) put(name + "_" + part, v[name + "_" + part]);
		};
		put("set", d.set);
		put("account", account); // another one may have signed in since, in another window
		for (const name of ["mobility", "hold", "no_holds", "limb", "other_limb"]) put(name, v[name]);
		reading("base", m.base, m.rest, v.base_position?.[0] || "lying");
		if (m.up) {
			for (const name of ["first", "second"]) if (m[name] && taken(name)) reading(name, m[name], m.up, d.upright);
			if (m.stop) { put("stopped", "yes"); reading("stop", m.stop, m.up, d.upright); }
			put("symptom", v.symptom);
			put("no_symptoms", v.no_symptoms);
		}
		put("confirm", d.confirmed);
		return b;
	};

	// post sends a draft once; what came of it is "stored", "back" (something is to be
	// put right), "gone", "signed-out", "busy" or "waiting" (no network).
	const post = async d => {
		const stop = new AbortController(), timer = setTimeout(() => stop.abort(), 20000);
		try {
			const answer = await fetch(pathOf(d.stay), {
				method: "POST", body: bodyOf(d), headers: { Accept: "application/json" }, redirect: "manual", cache: "no-store", signal: stop.signal,
			});
			if (answer.type === "opaqueredirect" || answer.status === 401) return { state: "signed-out" };
			if (answer.ok) return { state: "stored", result: (await answer.json()).result };
			if (answer.status === 422 || answer.status === 409) return { state: "back", answer: await answer.json() };
			if (answer.status >= 500 || answer.status === 429) return { state: "busy" };
			return { state: "gone" };
		} catch {
			return { state: "waiting" };
		} finally {
			clearTimeout(timer);
		}
	};

	let flushing = false;
	// flush sends what waits, of the page's own stay and of others.
	const flush = async told => {
		if (flushing) return;
		flushing = true;
		for (const d of drafts().filter(d => d.queued)) {
			const what = await post(d);
			if (what.state === "stored") kept.drop(keyOf(account, d.stay));
			if (what.state === "back" || what.state === "gone") {
				Object.assign(d, { queued: false, answer: what.answer || null });
				kept.set(keyOf(account, d.stay), JSON.stringify(d));
			}
			told?.(d, what);
		}
		flushing = false;
	};
	const keepFlushing = told => {
		addEventListener("online", () => flush(told));
		document.addEventListener("visibilitychange", () => { if (!document.hidden) flush(told); });
		setInterval(() => flush(told), 15000);
	};

	const el = id => document.getElementById(id);
	document.addEventListener("DOMContentLoaded", () => {
		const page = el("bedside"), chooser = el("chooser");
		if (chooser) chooserPage(chooser);
		if (page?.dataset.answered) root.classList.remove("stepped"); // a plain form that came back
		else if (page) setPage(page);
	});

	const chooserPage = chooser => {
		account = chooser.dataset.account;
		kept.set("account", account);
		purge();
		const list = el("unsent").querySelector("ul");
		const clock = new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: chooser.dataset.zone });
		const show = () => {
			const some = drafts();
			list.replaceChildren(...some.map(d => {
				const a = document.createElement("a"), li = document.createElement("li");
				a.href = pathOf(d.stay);
				a.textContent = list.dataset.row.replace("#", d.bed || "–") + " " + clock.format(new Date(d.begun));
				li.append(a);
				return li;
			}));
			el("unsent").hidden = !some.length;
		};
		show();
		flush(show);
		keepFlushing(show);
	};

	const setPage = page => {
		const data = page.dataset, words = el("words").dataset, form = el("set-form"), shell = !!data.shell;
		account = shell ? kept.get("account") || "0" : data.account;
		if (!shell) {
			kept.set("account", account);
			offset = Date.parse(data.now) - Date.now();
			kept.set("offset", String(offset));
		}
		purge();
		const stay = shell ? decodeURIComponent(location.pathname.split("/")[2] || "") : data.stay;
		const key = keyOf(account, stay);
		let d = read(key);
		if (d && blank(d) && !shell) d = null;
		if (!d && shell) {
			el(location.search.includes("sent=") ? "shell-sent" : "shell-empty").hidden = false;
			form.hidden = true;
			el("discard").hidden = true;
			return;
		}
		const fresh = () => ({
			v: 1, set: data.set, stay, bed: data.bed, begun: now(), step: "before", upright: "standing", moments: {}, values: {}, confirmed: [], charted: [], queued: false, answer: null,
		});
		d ||= fresh();
		if (!shell) {
			const says = [...document.querySelectorAll("#charted p")].map(p => p.lastChild.textContent.trim());
			d.charted = data.charted.split(" ").filter(Boolean).map((code, n) => ({ code, text: says[n] }));
			d.bed = data.bed;
		} else {
			el("b-bed").textContent = d.bed ? words.bed.replace("#", d.bed) : "";
			el("charted").replaceChildren(...d.charted.map(c => Object.assign(document.createElement("p"), { className: "bar", textContent: c.text })));
		}
		if ("serviceWorker" in navigator && !shell) navigator.serviceWorker.register("/new-set-worker.js", { scope: "/stays/" }).catch(() => {});

		const zoned = new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: data.zone });
		const clock = ms => zoned.format(new Date(ms));
		let left = false, written = ""; // as this page last knew the draft on the device
		const save = () => {
			if (left) return; // it was taken off the device, perhaps by signing out
			kept.set(key, JSON.stringify(d));
			written = kept.get(key) ?? "";
			el("kept").textContent = words.kept + " · " + words.begun + " " + clock(d.begun);
		};

		// The fields and the draft.
		const named = name => [...form.querySelectorAll(`[name="${name}"]`)];
		const stepped = ["mobility", "hold", "no_holds", "limb", "other_limb", "base_position", "symptom", "no_symptoms",
			...["base", "first", "second"].flatMap(n => ["systolic", "diastolic", "pulse"].map(part => n + "_" + part))];
		const fill = () => {
			for (const name of stepped) {
				for (const field of named(name)) {
					if (field.type === "radio" || field.type === "checkbox") field.checked = !!d.values[name]?.includes(field.value);
					else field.value = d.values[name]?.[0] || "";
				}
			}
			const position = d.values.base_position?.[0] || "lying", other = d.values.other_limb?.[0] || "";
			for (const field of named("base_position")) field.checked = field.value === position;
			for (const field of named("other_limb")) field.checked = field.value === other;
		};
		const gather = name => {
			d.values[name] = named(name).filter(f => f.type === "radio" || f.type === "checkbox" ? f.checked : f.value.trim() !== "").map(f => f.value.trim());
		};
		const clear = name => { for (const f of named(name)) f.checked = false; gather(name); };
		const value = name => d.values[name]?.[0] || "";
		const number = name => value(name) === "" ? null : Number(value(name).replace(",", "."));
		const labelOf = field => field.closest("label").querySelector("span").textContent;
		form.addEventListener("input", e => {
			const name = e.target.name;
			if (!stepped.includes(name)) return;
			gather(name);
			if (name === "hold" && e.target.checked) clear("no_holds");
			if (name === "no_holds" && e.target.checked) clear("hold");
			if (name === "symptom" && e.target.checked) clear("no_symptoms");
			if (name === "no_symptoms" && e.target.checked) clear("symptom");
			if (name === "mobility") d.upright = value("mobility") === "sit" ? "sitting" : "standing";
			const reading = name.split("_")[0];
			d.confirmed = d.confirmed.filter(code => code !== reading + "_figures" && (code !== "stood" || !/^(base|hold|no_holds|mobility)/.test(name)));
			changed();
			draw();
		});
		// changed: a set that was waiting to be sent waits no more, for it is being edited.
		const changed = () => { d.queued = false; d.answer = null; note(""); save(); };

		// Why the patient should not be stood up; the server judges it again.
		const withheld = () => {
			const out = [], systolic = number("base_systolic");
			if (value("base_position") !== "sitting" && systolic !== null && systolic < Number(data.low)) out.push(words.withheldLow);
			for (const field of named("hold")) if (field.checked) out.push(labelOf(field));
			if (value("mobility") === "bed") out.push(words.bedRest);
			for (const c of d.charted) if (c.code === "injury_uncleared" || c.code === "not_ambulatory") out.push(c.text);
			return out;
		};
		const within = (v, bounds) => { const [low, high] = bounds.split(" ").map(Number); return v === null || v >= low && v <= high; };
		// doubt is what V-PLAUSIBLE would not believe of a reading.
		const doubt = name => {
			const [s, dia, p] = ["systolic", "diastolic", "pulse"].map(part => number(name + "_" + part));
			if (!within(s, data.systolic) || !within(dia, data.diastolic) || s !== null && dia !== null && s <= dia) return words.checkPressure;
			return within(p, data.pulse) ? "" : words.checkPulse;
		};

		// The steps.
		const panels = {
			before: "s-before", limb: "s-limb", rest: "s-rest", restcount: "s-count", base: "s-base", withheld: "s-withheld", stand: "s-stand",
			firstcount: "s-count", first: "s-first", secondcount: "s-count", second: "s-second", symptoms: "s-symptoms", review: "s-review",
		};
		const before = { limb: "before", rest: "limb", restcount: "rest", base: "restcount", withheld: "base", stand: "base", firstcount: "stand", first: "firstcount", secondcount: "first", second: "secondcount" };
		const counts = { restcount: ["rest", 300, "base"], firstcount: ["up", 60, "first"], secondcount: ["up", 180, "second"] };
		const upright = ["stand", "firstcount", "first", "secondcount", "second"];
		const any = name => ["systolic", "diastolic", "pulse"].some(part => value(name + "_" + part));
		const note = text => { el("deck-note").textContent = text; };

		// figures takes a reading if it is to be believed, or was confirmed.
		const figures = (name, needed, next) => {
			if (needed && !value(name + "_systolic")) return note(words.needSystolic);
			const code = name + "_figures";
			if (doubt(name) && !d.confirmed.includes(code)) {
				if (asked !== code) {
					asked = code;
					brought = performance.now();
					note(doubt(name));
					return draw();
				}
				d.confirmed.push(code);
			}
			show(next());
		};
		let asked = "";
		// A second tap of a double one lands on what the first has brought there, and means none of it.
		let brought = -Infinity;
		page.addEventListener("click", e => {
			if (e.timeStamp - brought > 500 || e.detail < 2 && e.pointerType !== "touch") return;
			e.preventDefault();
			e.stopPropagation();
		}, true);
		const toReview = () => d.review && d.moments.up ? "review" : null;
		// afterRest is where the reading at rest leads.
		const afterRest = () => {
			if (toReview()) return "review";
			d.review = false;
			return withheld().length && !d.confirmed.includes("stood") ? "withheld" : "stand";
		};
		const steps = {
			before: () => !value("mobility") || !value("hold") && !value("no_holds") ? note(words.needAnswer) : show(d.review ? afterRest() : "limb"),
			limb: () => !value("limb") ? note(words.needLimb) : show(d.review ? "review" : "rest"),
			rest: () => { d.moments.rest = now(); show("restcount"); },
			restcount: () => { d.moments.base = now(); show("base"); },
			base: () => figures("base", true, afterRest),
			withheld: () => { forget(); show("review"); },
			stand: () => { d.moments.up = now(); delete d.moments.first; delete d.moments.second; show("firstcount"); },
			firstcount: () => { d.moments.first = now(); show("first"); },
			first: () => figures("first", false, () => toReview() || "secondcount"),
			secondcount: () => { d.moments.second = now(); show("second"); },
			second: () => figures("second", false, () => toReview() || "symptoms"),
			symptoms: () => !value("symptom") && !value("no_symptoms") ? note(words.needSymptoms) : show("review"),
			review: () => send(),
		};
		// forget leaves the reading at rest alone.
		const forget = () => {
			for (const moment of ["up", "first", "second", "stop"]) delete d.moments[moment];
			for (const name of stepped) if (/^(first|second)_|symptom/.test(name)) delete d.values[name];
			fill();
		};
		const show = step => {
			d.step = step;
			brought = performance.now();
			if (step === "review") d.review = true;
			asked = "";
			note("");
			save();
			draw();
			const panel = el(panels[step]), heading = panel.querySelector("h2");
			heading.tabIndex = -1;
			const first = ["base", "first", "second"].includes(step) && el(step + "_systolic");
			(first && !first.value ? first : heading).focus({ preventScroll: true });
			scrollTo(0, 0);
			stayAwake();
		};
		const draw = () => {
			const step = d.step;
			for (const id of new Set(Object.values(panels))) el(id).classList.toggle("current", id === panels[step]);
			page.dataset.step = step;
			const m = d.moments;
			let label = words.next;
			if (asked) label = words.checkRight;
			else if (step === "rest") label = words.restNow;
			else if (step === "stand") label = d.upright === "sitting" ? words.sitNow : words.standNow;
			else if (step === "withheld") label = words.withheldSend;
			else if (step === "review") label = d.answer ? words.again : words.send;
			el("go").textContent = label;
			el("back").hidden = !before[step] && !(step === "symptoms" && !m.stop) || !!d.review && step !== "withheld";
			el("stop").hidden = !upright.includes(step) || !!d.review;
			el("unstop").hidden = !(step === "symptoms" && m.stop && !d.review);
			const sits = value("base_position") === "sitting";
			if (sits) d.upright = "standing"; // who rests sitting is tested standing
			const rest = el("s-rest").querySelector("h2");
			rest.textContent = sits ? rest.dataset.sitting : rest.dataset.lying;
			for (const p of el("s-stand").querySelectorAll("[data-for]")) p.hidden = p.dataset.for !== d.upright;
			el("swap").textContent = el("swap").dataset[d.upright];
			el("swap").hidden = sits;
			const symptoms = el("s-symptoms").querySelector("h2");
			symptoms.textContent = m.stop ? symptoms.dataset.stopped : symptoms.dataset.upright;
			for (const p of document.querySelectorAll("[data-taken]")) {
				const at = m[p.dataset.taken], from = p.dataset.taken === "base" ? m.rest : m.up;
				p.textContent = at ? words.taken + " " + clock(at) + (from ? ", " + words.after + " " + ((at - from) / 60000).toFixed(1) + " " + words.min : "") : "";
			}
			if (step === "withheld") el("withheld-why").replaceChildren(...withheld().map(text => Object.assign(document.createElement("li"), { textContent: text })));
			if (step === "review") review();
			if (counts[step]) tick();
		};

		// The countdown.
		let said = "";
		const say = text => { if (text !== said) { said = text; el("live").textContent = text; } };
		const tick = () => {
			const count = counts[d.step];
			if (!count) return;
			const [from, seconds] = count, at = d.moments[from];
			const left = Math.ceil((at + seconds * 1000 - now()) / 1000), shown = Math.abs(Math.min(left, seconds));
			el("count-title").textContent = { restcount: words.countRest, firstcount: words.countFirst, secondcount: words.countSecond }[d.step];
			el("count-how").textContent = d.step === "restcount" ? words.countRestHow : words.countStay;
			el("count-clock").textContent = (left < 0 ? "+" : "") + Math.floor(shown / 60) + ":" + String(shown % 60).padStart(2, "0");
			el("count-word").textContent = left >= 0 ? words.toGo : words.over;
			el("s-count").classList.toggle("over", left <= 0);
			el("go").textContent = left > 0 ? words.cuff : words.cuffNow;
			if (left <= 0) {
				say(words.sayEnd);
				if (d.rung !== d.step + at) {
					d.rung = d.step + at;
					save();
					ring();
				}
			} else if (left <= 30) say(words.sayHalf);
			else if (left % 60 === 0) say(words.sayMinutes.replace("#", left / 60));
		};
		setInterval(tick, 250);
		document.addEventListener("visibilitychange", () => { if (!document.hidden) { tick(); stayAwake(); } });

		let sound = null; // made by a tap: nothing sounds by itself
		el("sound").addEventListener("change", e => {
			if (e.target.checked && window.AudioContext) sound ||= new AudioContext();
		});
		const ring = () => {
			if (navigator.userActivation?.hasBeenActive) navigator.vibrate?.([300, 150, 300]);
			if (!sound || !el("sound").checked) return;
			const tone = sound.createOscillator(), volume = sound.createGain();
			volume.gain.value = .2;
			tone.frequency.value = 880;
			tone.connect(volume).connect(sound.destination);
			tone.start();
			tone.stop(sound.currentTime + .6);
		};
		let awake = null;
		const stayAwake = async () => {
			const wanted = !!counts[d.step] || upright.includes(d.step);
			try {
				if (wanted && !document.hidden && (!awake || awake.released)) awake = await navigator.wakeLock?.request("screen");
				else if (!wanted && awake) { await awake.release(); awake = null; }
			} catch { /* the screen may go dark: nothing is lost by it */ }
		};

		// Review.
		const pressure = name => {
			if (!any(name)) return words.notTaken;
			const p = value(name + "_pulse"), m = d.moments, from = name === "base" ? m.rest : m.up;
			const at = m[name] ? " · " + clock(m[name]) + (from ? ", " + words.after + " " + ((m[name] - from) / 60000).toFixed(1) + " " + words.min : "") : "";
			return (value(name + "_systolic") || "–") + "/" + (value(name + "_diastolic") || "–") + (p ? " · " + words.pulse.toLowerCase() + " " + p : "") + at;
		};
		const checked = name => named(name).filter(f => f.checked).map(labelOf);
		const review = () => {
			const list = el("review"), rows = [];
			const row = (name, text, step) => {
				const div = document.createElement("div"), dt = document.createElement("dt"), dd = document.createElement("dd"), b = document.createElement("button");
				dt.textContent = name;
				dd.append(Object.assign(document.createElement("span"), { textContent: text }));
				div.append(dt, dd);
				if (step) {
					Object.assign(b, { type: "button", className: "linklike", textContent: words.change });
					b.setAttribute("aria-label", words.change + ": " + name);
					b.addEventListener("click", () => show(step));
					dd.append(b);
				}
				rows.push(div);
			};
			row(words.base, pressure("base"), "base");
			if (d.moments.up) {
				row(words.first, pressure("first"), d.moments.first ? "first" : null);
				if (!d.moments.stop || any("second")) row(words.second, pressure("second"), d.moments.second ? "second" : null);
				if (d.moments.stop) row(words.stopped, clock(d.moments.stop) + ", " + words.after + " " + ((d.moments.stop - d.moments.up) / 60000).toFixed(1) + " " + words.min);
				row(words.symptoms, checked("symptom").join(", ") || words.none, "symptoms");
			} else {
				row(words.notStood, withheld().join(", ") || "–");
			}
			row(words.limb, checked("limb").join() + (value("other_limb") ? "; " + words.other + " " + checked("other_limb").join().toLowerCase() : ""), "limb");
			row(words.before, checked("mobility").concat(checked("hold")).join(", "), "before");
			list.replaceChildren(...rows);
			el("review-help").hidden = !d.moments.up;
			if (d.answer) answered();
			else if (!d.queued) el("answer").hidden = true;
		};
		const status = (text, link) => {
			const box = el("answer");
			box.replaceChildren(Object.assign(document.createElement("p"), { textContent: text }));
			if (link) box.append(Object.assign(document.createElement("a"), { className: "way", href: link, textContent: words.signIn }));
			box.hidden = false;
		};
		// answered shows what the server has found wrong, or wants confirmed.
		const answered = () => {
			const box = el("answer"), list = document.createElement("ul");
			list.className = "lines";
			for (const p of d.answer.problems) list.append(Object.assign(document.createElement("li"), { textContent: p.text }));
			box.replaceChildren();
			if (d.answer.problems.length) box.append(Object.assign(document.createElement("p"), { textContent: words.problemsFix }), list);
			else box.append(Object.assign(document.createElement("p"), { textContent: words.doubts }));
			for (const doubt of d.answer.doubts) {
				const text = Object.assign(document.createElement("p"), { className: "bar", textContent: doubt.text });
				const label = Object.assign(document.createElement("label"), { className: "pick" }), tick = Object.assign(document.createElement("input"), { type: "checkbox" });
				tick.addEventListener("change", () => {
					d.confirmed = d.confirmed.filter(code => code !== doubt.code).concat(tick.checked ? doubt.code : []);
					save();
				});
				label.append(tick, Object.assign(document.createElement("span"), { textContent: words.doubtRight }));
				box.append(text, label);
			}
			box.hidden = false;
		};
		const told = (sent, what) => {
			if (sent.stay !== stay || sent.set !== d.set) return;
			el("go").disabled = false;
			switch (what.state) {
			case "stored":
				left = true;
				location.replace(what.result);
				return;
			case "back":
				Object.assign(d, { queued: false, answer: what.answer });
				show("review");
				return;
			case "gone":
				d.queued = false;
				save();
				return status(words.gone);
			case "signed-out":
				return status(words.signedOut, "/sign-in?next=" + encodeURIComponent(location.pathname));
			case "busy":
				return status(words.busy);
			}
			status(words.waiting);
		};
		const send = async () => {
			if (flushing) return;
			Object.assign(d, { queued: true, answer: null });
			save();
			el("go").disabled = el("review").inert = true; // what is on its way is not changed
			status(words.sending);
			await flush(told);
			el("go").disabled = el("review").inert = false;
		};

		// What people press.
		form.addEventListener("submit", e => e.preventDefault()); // Enter is dealt with below
		form.addEventListener("keydown", e => {
			if (e.key !== "Enter" || e.target.tagName !== "INPUT" || e.target.type === "checkbox" || e.target.type === "radio") return;
			e.preventDefault();
			const fields = [...e.target.closest("fieldset").querySelectorAll(".fig-field input")].filter(f => f.offsetParent);
			const next = fields[fields.indexOf(e.target) + 1];
			if (e.target.id === "since") el("since-go").click();
			else if (next) next.focus();
			else steps[d.step]();
		});
		el("go").addEventListener("click", () => steps[d.step]());
		el("back").addEventListener("click", () => show(d.step === "symptoms" ? "second" : before[d.step]));
		el("stop").addEventListener("click", () => {
			d.stoppedFrom = d.step;
			d.moments.stop = now();
			d.moments.up ||= d.moments.stop;
			show("symptoms");
		});
		el("unstop").addEventListener("click", () => { delete d.moments.stop; show(d.stoppedFrom || "firstcount"); });
		el("swap").addEventListener("click", () => { d.upright = d.upright === "sitting" ? "standing" : "sitting"; save(); draw(); });
		el("skip-up").addEventListener("click", () => { forget(); show("review"); });
		el("withheld-on").addEventListener("click", () => { d.confirmed.push("stood"); show("stand"); });
		el("since-go").addEventListener("click", () => {
			const [h, min] = el("since").value.split(":").map(Number), [nh, nm] = clock(now()).split(":").map(Number);
			const ago = (nh * 60 + nm - h * 60 - min + 1440) % 1440;
			el("since-wrong").hidden = ago <= 720;
			if (!(ago <= 720)) return;
			d.moments.rest = now() - ago * 60000;
			show("restcount");
		});
		el("discard").addEventListener("click", () => {
			if (!confirm(words.discardSure)) return;
			left = true;
			kept.drop(key);
			location.reload();
		});
		// meet takes over what another window has made of this set: there is one of it.
		const meet = () => {
			const text = kept.get(key) ?? "";
			if (left || text === written) return;
			if (!text) { left = true; location.reload(); return; } // sent or discarded there
			written = text;
			d = JSON.parse(text);
			asked = "";
			note("");
			fill();
			draw();
		};
		addEventListener("storage", e => { if (!e.key || e.key === PREFIX + key) meet(); });
		document.addEventListener("visibilitychange", () => { if (!document.hidden) meet(); }); // a window that slept was told nothing
		// Nobody answers when the session should be asked for: the name goes, the set stays.
		document.addEventListener("unreachable", e => {
			e.preventDefault();
			el("b-name").textContent = "";
			el("b-id").textContent = words.offlineWho;
		});

		fill();
		draw();
		save();
		if (d.queued) { status(words.waiting); flush(told); }
		keepFlushing(told);
		stayAwake();
	};
})();
