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
			if (key.startsWith("beds.") && !(now() < Date.parse(read(key)?.until))) kept.drop(key); // the shift has ended
			if (!key.startsWith("draft.")) continue;
			const d = read(key);
			if (!d || now() - d.begun > (d.queued || d.answer ? 7 : blank(d) ? 1 / 12 : 1) * DAY) kept.drop(key);
		}
	};
	// The beds of a unit are kept for the shift in which its choice was opened: no name, no patient number.
	const bedsKey = unit => "beds." + account + "." + unit;
	const bedOf = stay => kept.keys().filter(k => k.startsWith(bedsKey(""))).map(read).filter(Boolean)
		.flatMap(b => b.beds.map(bed => ({ ...bed, fetched: b.fetched }))).find(bed => bed.stay === stay);
	const work = scope => { if ("serviceWorker" in navigator) navigator.serviceWorker.register("/new-set-worker.js", { scope }).catch(() => {}); };
	const pathOf = stay => "/stays/" + encodeURIComponent(stay) + "/new-set";

	// What is sent of a draft: the fields of the plain form.
	const bodyOf = d => {
		const b = new URLSearchParams(), m = d.moments, v = d.values;
		const put = (name, values) => { for (const x of [].concat(values ?? [])) if (x !== "") b.append(name, x); };
		const taken = name => v[name + "_unread"]?.[0] || ["systolic", "diastolic", "pulse"].some(part => v[name + "_" + part]?.[0]);
		const reading = (name, at, from, position) => {
			put(name + "_at", new Date(at).toISOString());
			if (from) put(name + "_minutes", (Math.max(0, at - from) / 60000).toFixed(1));
			put(name + "_position", position);
			for (const part of ["systolic", "diastolic", "pulse", "unread"]) put(name + "_" + part, v[name + "_" + part]);
		};
		put("set", d.set);
		put("account", account); // another one may have signed in since, in another window
		for (const name of ["mobility", "hold", "no_holds", "limb", "lifted", "restrict"]) put(name, v[name]);
		if (v.restrict?.length) put("because", v.because);
		if (d.plain) put("plain", "yes");
		put("told", (d.told || []).map(t => t.whom + " " + new Date(t.at).toISOString()));
		reading("base", m.base, m.rest, v.base_position?.[0] || "lying");
		if (!m.up && v.base_unread?.[0]) {
			put("symptom", v.symptom);
			put("no_symptoms", v.no_symptoms);
		}
		if (m.up) {
			if (d.cleared) { put("cleared_by", d.cleared.by); put("cleared_at", new Date(d.cleared.at).toISOString()); }
			for (const name of ["first", "second", "third"]) if (m[name] && taken(name)) reading(name, m[name], m.up, d.upright);
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
		const shell = !!chooser.dataset.shell;
		account = shell ? kept.get("account") || "0" : chooser.dataset.account;
		if (!shell) {
			kept.set("account", account);
			offset = Date.parse(chooser.dataset.now) - Date.now();
			kept.set("offset", String(offset));
			const beds = [...chooser.querySelectorAll("[data-kept]")].map(li => JSON.parse(li.dataset.kept));
			kept.set(bedsKey(chooser.dataset.unit), JSON.stringify({ fetched: now(), until: chooser.dataset.until, beds }));
			for (const scope of ["/units/", "/stays/"]) work(scope);
		}
		purge();
		if (shell) offlineBeds(chooser);
		const look = () => { purge(); if (shell) offlineBeds(chooser); };
		addEventListener("pageshow", look);
		setInterval(look, 30000);
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

	// offlineBeds lists the beds as they were fetched.
	const offlineBeds = chooser => {
		const b = read(bedsKey(decodeURIComponent(location.pathname.split("/")[2] || ""))), says = el("beds-fetched");
		const clock = new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: chooser.dataset.zone });
		says.textContent = b ? says.dataset.says.replace("#", clock.format(new Date(b.fetched))) : says.dataset.none;
		const part = (tag, className, text) => Object.assign(document.createElement(tag), { className, textContent: text });
		el("offline-beds").replaceChildren(...(b?.beds || []).map(bed => {
			const a = document.createElement("a"), who = part("span", "who", ""), li = document.createElement("li");
			a.href = pathOf(bed.stay);
			who.append(...[bed.low, ...(bed.urgent || [])].filter(Boolean).map(text => part("strong", "low", text)),
				part("span", "small", [bed.due, bed.stand, ...bed.charted.map(c => c.text), ...bed.limbs.map(l => l.text)].filter(Boolean).join(" · ")));
			a.append(part("span", "bed", bed.bed || "–"), who);
			li.append(a);
			return li;
		}));
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
		const fresh = () => ({
			v: 1, set: data.set, stay, bed: data.bed, begun: now(), step: "before", upright: "standing", moments: {}, values: {}, confirmed: [], charted: [],
			limbs: [], clear: 0, stand: "", told: [], met: [], queued: false, answer: null,
		});
		// Without the network a set of a bed that was fetched in this shift can be begun.
		const bed = !d && shell && !location.search.includes("sent=") && window.crypto?.randomUUID && bedOf(stay);
		if (bed) {
			d = Object.assign(fresh(), {
				set: crypto.randomUUID(), bed: bed.bed, charted: bed.charted, limbs: bed.limbs, clear: bed.clear, lowBefore: bed.low, before: bed.before,
				stand: bed.stand, urgent: bed.urgent || [], fetched: bed.fetched, last: bed.last,
			});
		}
		if (!d && shell) {
			el(location.search.includes("sent=") ? "shell-sent" : "shell-empty").hidden = false;
			form.hidden = true;
			el("discard").hidden = true;
			return;
		}
		d ||= fresh();
		if (!shell) {
			const says = [...document.querySelectorAll("#charted p")].map(p => p.lastChild.textContent.trim());
			d.charted = data.charted.split(" ").filter(Boolean).map((code, n) => ({ code, text: says[n] }));
			d.bed = data.bed;
			d.clear = Number(data.clear) || 0;
			d.stand = el("to-stand")?.textContent || "";
			d.lowBefore = el("low-at-rest")?.dataset.says || "";
			d.before = [...el("asked-before").children].map(li => ({ code: li.dataset.code, text: li.textContent }));
			d.limbs = [...form.querySelectorAll("#lifted [data-limb]")].map((input, n) => ({
				limb: input.dataset.limb, id: input.value, text: document.querySelectorAll("#no-cuff .limb")[n].textContent,
			}));
		} else {
			el("b-bed").textContent = d.bed ? words.bed.replace("#", d.bed) : "";
			const bar = text => Object.assign(document.createElement("p"), { className: "bar", textContent: text });
			el("low-before").replaceChildren(...[d.lowBefore].filter(Boolean).map(text => bar(text + ". " + words.lowDo)));
			if (d.fetched) {
				const hour = new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: data.zone }).format(new Date(d.fetched));
				const says = el("shell-fetched");
				says.textContent = says.dataset.says.replace("#1", hour).replace("#2", d.last || "–");
				says.hidden = false;
			}
			el("charted").replaceChildren(...(d.urgent || (d.before || []).map(w => w.text)).map(bar), ...d.charted.map(c => bar(c.text)), ...[d.stand].filter(Boolean).map(bar));
			el("no-cuff").replaceChildren(...(d.limbs || []).map(l => bar(l.text)));
			el("lifted").replaceChildren(...(d.limbs || []).flatMap(l => {
				const label = Object.assign(document.createElement("label"), { className: "pick slim" });
				const tick = Object.assign(document.createElement("input"), { type: "checkbox", name: "lifted", value: l.id });
				tick.dataset.limb = l.limb;
				label.append(tick, Object.assign(document.createElement("span"), { textContent: words.lifted.replace("#", l.limb) }));
				return l.id ? [bar(l.text), label] : [bar(l.text)];
			}));
		}
		for (const name of ["told", "met", "limbs", "before"]) d[name] ||= []; // of a draft before them
		if (!shell) work("/stays/");

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
		const stepped = ["mobility", "hold", "no_holds", "limb", "lifted", "restrict", "because", "base_position", "symptom", "no_symptoms",
			...["base", "first", "second", "third"].flatMap(n => ["systolic", "diastolic", "pulse"].map(part => n + "_" + part))];
		const fill = () => {
			for (const name of stepped) {
				for (const field of named(name)) {
					if (field.type === "radio" || field.type === "checkbox") field.checked = !!d.values[name]?.includes(field.value);
					else field.value = d.values[name]?.[0] || "";
				}
			}
			const position = d.values.base_position?.[0] || "lying";
			for (const field of named("base_position")) field.checked = field.value === position;
		};
		const gather = name => {
			d.values[name] = named(name).filter(f => f.type === "radio" || f.type === "checkbox" ? f.checked : f.value.trim() !== "").map(f => f.value.trim());
		};
		const clear = name => { for (const f of named(name)) f.checked = false; gather(name); };
		const value = name => d.values[name]?.[0] || "";
		const isNumber = name => /^\d{1,4}([.,]\d{1,3})?$/.test(value(name)); // as the server reads it
		const number = name => isNumber(name) ? Number(value(name).replace(",", ".")) : null;
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
			if (/_(systolic|diastolic)$/.test(name)) delete d.values[reading + "_unread"];
			if (/^(base|hold|no_holds|mobility)/.test(name)) d.cleared = null;
			if (/^(limb|lifted)$/.test(name)) d.confirmed = d.confirmed.filter(code => code !== "restricted_limb");
			asked = "";
			changed();
			draw();
			onward(e);
			if (e.target.checked && (name === "hold" || name === "symptom")) {
				if (e.target.value === "chest pain") alarm("chest");
				if (e.target.value === "loss of consciousness") alarm("loss");
			}
		});
		// whole tells a figure to which no further digit could be added that would be believed.
		const whole = name => /^\d+$/.test(value(name)) && Number(value(name)) * 10 > Number(limits[name.split("_")[1]].split(" ")[1]);
		// onward leads from a figure that is whole to the next empty field.
		const onward = e => {
			if (e.inputType !== "insertText" || !/_(systolic|diastolic)$/.test(e.target.name) || !whole(e.target.name)) return;
			const fields = figureFields(e.target), next = fields[fields.indexOf(e.target) + 1];
			if (next && !next.value) (led = next).focus();
		};
		let led = null; // the field that was led to: Enter, pressed by habit, does not lead past it
		const figureFields = field => [...field.closest("fieldset").querySelectorAll(".fig-field input")].filter(f => f.offsetParent);
		// changed: a set that was waiting to be sent waits no more, for it is being edited.
		const changed = () => { d.queued = false; d.answer = null; note(""); save(); };

		// Why the patient should not be stood up; the server judges it again.
		const withheld = () => {
			const out = [], systolic = number("base_systolic");
			if (systolic !== null && systolic < Number(data.low)) out.push(words.withheldLow);
			for (const field of named("hold")) if (field.checked) out.push(labelOf(field));
			if (value("mobility") === "bed") out.push(words.bedRest);
			for (const c of d.charted) if (c.code === "injury_uncleared" || c.code === "not_ambulatory") out.push(c.text);
			return out;
		};
		const limits = { systolic: data.systolic, diastolic: data.diastolic, pulse: data.pulse };
		const fillIn = (text, ...parts) => parts.reduce((out, part, n) => out.replace("#" + (n + 1), part), text);
		// refused says what is no number or outside V-PLAUSIBLE, and where; null where all is well.
		const refused = name => {
			for (const part of ["systolic", "diastolic", "pulse"]) {
				const field = name + "_" + part, [low, high] = limits[part].split(" "), v = number(field);
				if (value(field) === "") continue;
				if (v === null) return { field, text: fillIn(words.refuseNumber, words[part], low, high) };
				if (v < Number(low) || v > Number(high)) return { field, extreme: true, text: fillIn(words.refuseRange, words[part], value(field), low, high) };
			}
			const s = number(name + "_systolic"), dia = number(name + "_diastolic");
			if (s !== null && dia !== null && dia >= s) return { field: name + "_diastolic", text: fillIn(words.refuseBelow, value(name + "_diastolic"), value(name + "_systolic")) };
			return null;
		};
		// dropped: F-SYS, F-DIA or F-LOW at a reading that was taken; the server judges it again.
		const dropped = name => {
			const seated = value("base_position") === "sitting", drops = data.drops.split(" "), more = drops[4] === "more_than";
			const meets = (drop, threshold) => more ? drop > threshold + 1e-6 : drop >= threshold - 1e-6;
			const [bs, bd, s, dia] = ["base_systolic", "base_diastolic", name + "_systolic", name + "_diastolic"].map(number);
			if (bs === null || s === null) return false;
			return meets(bs - s, Number(drops[seated ? 2 : 0])) || bd !== null && dia !== null && meets(bd - dia, Number(drops[seated ? 3 : 1])) ||
				d.upright === "standing" && s < Number(data.low) && bs >= Number(data.low);
		};
		// drops says while the patient stands how far the pressure is down, once the figures are whole.
		const drops = () => {
			const done = name => whole(name) || value(name) !== "" && document.activeElement?.id !== name;
			const last = readings.findLast(r => d.moments[r] && any(r));
			const says = name => {
				const [bs, bd, s, dia] = ["base_systolic", "base_diastolic", name + "_systolic", name + "_diastolic"].map(number);
				if (bs === null || s === null || refused(name) || !done(name + "_systolic")) return "";
				const lower = bd !== null && dia !== null && done(name + "_diastolic") && bd > dia ? "/" + Number((bd - dia).toFixed(1)) : "";
				const far = bs > s ? words.down.replace("#", Number((bs - s).toFixed(1)) + lower) : words.noDrop;
				const dizzy = d.values.symptom?.includes("dizziness") ? words.dizzy : "";
				return far + dizzy + (dropped(name) || felt() ? words.sitQuestion : "");
			};
			for (const p of page.querySelectorAll("[data-drop]")) {
				const name = p.dataset.drop || (d.step === "restcount" ? "" : last), text = name ? says(name) : "";
				if (p.textContent !== text) p.textContent = text;
				p.classList.toggle("falls", !!name && text !== "" && (dropped(name) || felt()));
			}
			for (const b of page.querySelectorAll("[data-dizzy]")) b.setAttribute("aria-pressed", String(!!d.values.symptom?.includes("dizziness")));
		};
		form.addEventListener("focusout", () => setTimeout(drops));
		const upAt = name => d.moments[name] && d.moments.up ? (d.moments[name] - d.moments.up) / 60000 : null;
		const restMinutes = () => Math.floor((d.moments.base - d.moments.rest) / 6000) / 10;
		const shortRest = () => d.moments.base && d.moments.rest && (d.moments.base - d.moments.rest) / 60000 < 4.95; // it is charted to 0.1 min
		// counts tells a reading by which a set may be negative.
		const counting = name => value(name + "_systolic") !== "" && upAt(name) >= .5 && upAt(name) <= 5.5;
		const readings = ["first", "second", "third"];
		const felt = () => value("symptom") !== "";
		// hopeless: no drop, no symptom, and not enough for a negative.
		const hopeless = () => d.moments.up && !d.moments.stop && !felt() && !readings.some(dropped) && d.upright === "standing" &&
			(shortRest() || !readings.some(counting));
		// longer: three minutes would clear nobody (clear_minutes), and nothing speaks against standing on.
		const longer = () => d.clear > 3 && d.upright === "standing" && value("base_position") !== "sitting";

		// Emergencies come before anything else.
		const alarm = (code, more = {}) => {
			if (code !== "range" && code !== "unread" && d.met.includes(code)) return;
			d.alarm = { code, ...more };
			brought = performance.now();
			note("");
			save();
			draw();
			el("em-title").focus({ preventScroll: true });
			scrollTo(0, 0);
		};
		// goOn leads on from an emergency to what waited behind it.
		const goOn = () => {
			const { code, then } = d.alarm;
			d.met.push(code);
			d.alarm = null;
			brought = performance.now();
			if (code === "unread") return couldNotRead(d.step);
			if (then) return show(then);
			save();
			draw();
		};
		// couldNotRead keeps a reading without figures. At rest it ends the set; upright the patient sits or lies.
		const couldNotRead = name => {
			for (const part of ["systolic", "diastolic", "pulse"]) d.values[name + "_" + part] = [];
			d.values[name + "_unread"] = ["yes"];
			fill();
			if (name === "base") forget();
			else d.moments.stop = now();
			show("symptoms");
		};
		const drawAlarm = () => {
			const on = !!d.alarm, code = d.alarm?.code;
			el("s-emergency").hidden = !on;
			page.classList.toggle("alarmed", on);
			if (!on) return;
			page.dataset.step = "emergency";
			el("em-title").textContent = el("em-title").dataset[code === "range" ? "range" : "emergency"];
			for (const div of el("s-emergency").querySelectorAll("[data-code]")) div.hidden = div.dataset.code !== code;
			el("em-value").textContent = d.alarm.text || "";
			el("em-value").hidden = !d.alarm.text;
			el("em-correct").hidden = el("em-unread").hidden = code !== "range";
			el("em-on").hidden = code === "range";
			el("em-told").textContent = d.told.map(t => fillIn(words.toldAt, nameOf(t.whom), clock(t.at))).join(" ");
		};
		const nameOf = whom => el("s-emergency").querySelector(`[data-told="${whom}"]`).dataset.name;
		for (const b of el("s-emergency").querySelectorAll("[data-told]")) {
			b.addEventListener("click", () => {
				d.told.push({ whom: b.dataset.told, at: now() });
				if (d.alarm.code !== "range") return goOn();
				save();
				draw();
			});
		}
		el("em-on").addEventListener("click", () => goOn());
		el("em-correct").addEventListener("click", () => {
			const { field } = d.alarm;
			d.alarm = null;
			save();
			draw();
			el(field).focus();
			el(field).select();
		});
		el("em-unread").addEventListener("click", () => { d.alarm = null; couldNotRead(d.step); });

		// The steps.
		const panels = {
			before: "s-before", limb: "s-limb", rest: "s-rest", restcount: "s-count", base: "s-base", withheld: "s-withheld", stand: "s-stand",
			firstcount: "s-count", first: "s-first", secondcount: "s-count", second: "s-second", long: "s-long", thirdcount: "s-count", third: "s-third", symptoms: "s-symptoms", review: "s-review",
		};
		const before = { limb: "before", rest: "limb", restcount: "rest", base: "restcount", withheld: "base", stand: "base", firstcount: "stand", first: "firstcount", secondcount: "first", second: "secondcount", long: "second", thirdcount: "long", third: "thirdcount" };
		const counts = { restcount: ["rest", 300, "base"], firstcount: ["up", 60, "first"], secondcount: ["up", 180, "second"], thirdcount: ["up", Math.ceil(d.clear * 60), "third"] };
		const upright = ["stand", "firstcount", "first", "secondcount", "second", "long", "thirdcount", "third"];
		const any = name => ["systolic", "diastolic", "pulse"].some(part => value(name + "_" + part));
		// What stands fast at the bottom covers the end of no page.
		new ResizeObserver(() => root.style.setProperty("--deck", el("deck").offsetHeight + "px")).observe(el("deck"));
		// A keypad that covers the page and does not shrink it has the deck above it.
		const seen = window.visualViewport;
		const rise = () => root.style.setProperty("--keys", (seen.scale > 1.01 ? 0 : Math.max(0, innerHeight - seen.height - seen.offsetTop)) + "px");
		if (seen) for (const change of ["resize", "scroll"]) seen.addEventListener(change, rise);
		const note = text => { el("deck-note").textContent = text; };

		// figures takes a reading that can be believed.
		const figures = (name, needed, next) => {
			const wrong = refused(name);
			if (wrong?.extreme) return alarm("range", wrong);
			if (wrong) {
				note(wrong.text);
				el(wrong.field).focus();
				return el(wrong.field).select();
			}
			if (needed && !value(name + "_systolic")) return note(words.needSystolic);
			const then = next();
			if (name === "base" && low() && !d.met.includes("low")) return alarm("low", { then });
			show(then);
		};
		const low = () => number("base_systolic") !== null && number("base_systolic") < Number(data.low);
		// warned says once what a tap would cost; the second one goes on.
		const warned = text => {
			if (!text || asked === text) return false;
			asked = text;
			brought = performance.now();
			note(text);
			draw();
			return true;
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
			return withheld().length && !d.cleared ? "withheld" : "stand";
		};
		// tooSoonOrLate says what a cuff that is started now could still show.
		const tooSoonOrLate = name => {
			const min = (now() - d.moments.up) / 60000;
			if (name === "first" && min < .5) return ["too_early", words.warnEarly];
			if (min > 5.5 && !readings.some(r => r !== name && counting(r)) && !readings.some(dropped)) return ["too_late", words.warnLate.replace("#", Math.floor(min))];
			return ["", ""];
		};
		// agreed keeps that a question of the server was asked here, before the step that it is about.
		// deathAsked: who died by the chart is measured only once the bed was checked.
		const deathAsked = () => {
			const right = el("died-right");
			if (right?.checked) agreed([right.value]);
			return !right || d.confirmed.includes(right.value);
		};
		const agreed = codes => { d.confirmed = [...new Set([...d.confirmed, ...codes])]; };
		const restricted = limb => d.limbs.some(l => l.limb === limb && !d.values.lifted?.includes(l.id));
		const limbChosen = () => {
			const limb = value("limb");
			if (!limb) return note(words.needLimb);
			if (d.values.restrict?.includes(limb)) return note(words.needOtherLimb);
			if (d.values.restrict?.length && !value("because")) return note(words.needBecause);
			if (restricted(limb) && !d.confirmed.includes("restricted_limb")) {
				if (warned(words.limbRestricted)) return;
				d.confirmed.push("restricted_limb");
			}
			show(d.review ? "review" : "rest");
		};
		// afterUpright: with a drop that comes late, the first drop ends the set, and without one the patient stands on.
		const afterUpright = (name, next) => {
			if (!longer()) return next;
			if (readings.some(dropped)) return "symptoms";
			return name === "second" ? "long" : next;
		};

		const steps = {
			before: () => !deathAsked() ? note(words.needDied) : !value("mobility") || !value("hold") && !value("no_holds") ? note(words.needAnswer) : (begin(), show(d.review ? afterRest() : "limb")),
			limb: () => limbChosen(),
			rest: () => { d.moments.rest = now(); show("restcount"); },
			restcount: () => {
				const rested = (now() - d.moments.rest) / 60000;
				if (rested < 4.95 && warned(words.warnRest.replace("#", Math.floor(rested * 10) / 10))) return;
				d.moments.base = now();
				show("base");
			},
			base: () => figures("base", true, afterRest),
			withheld: () => { forget(); show("review"); },
			stand: () => {
				const codes = beforeStanding().map(([code]) => code);
				if (codes.some(code => !shown.includes(code))) { brought = performance.now(); return draw(); } // what has come to be meanwhile is read first
				agreed(codes.filter(Boolean));
				d.moments.up = now();
				for (const r of readings) delete d.moments[r];
				show("firstcount");
			},
			firstcount: () => cuff("first"),
			first: () => figures("first", false, () => toReview() || afterUpright("first", "secondcount")),
			secondcount: () => cuff("second"),
			second: () => figures("second", false, () => toReview() || afterUpright("second", "symptoms")),
			long: () => show("thirdcount"),
			thirdcount: () => cuff("third"),
			third: () => figures("third", false, () => toReview() || "symptoms"),
			symptoms: () => !value("symptom") && !value("no_symptoms") ? note(words.needSymptoms) : show("review"),
			review: () => send(),
		};
		const cuff = name => {
			const [code, text] = tooSoonOrLate(name);
			if (warned(text)) return;
			if (code) agreed([code]);
			d.moments[name] = now();
			show(name);
		};
		// begin tells the server that a set was begun, and shows those that others have begun.
		const begin = async () => {
			if (d.announced) return;
			try {
				const answer = await fetch(pathOf(stay) + "/begun", { method: "POST", body: new URLSearchParams({ set: d.set, account }), headers: { Accept: "application/json" }, redirect: "manual", cache: "no-store" });
				if (!answer.ok) return;
				d.announced = true;
				save();
				el("others").replaceChildren(...(await answer.json()).others.map(text => Object.assign(document.createElement("p"), { className: "bar", textContent: text })));
			} catch { /* without a network nobody can be asked */ }
		};
		// forget leaves the reading at rest alone.
		const forget = () => {
			for (const moment of ["up", "stop", ...readings]) delete d.moments[moment];
			for (const name of [...stepped, ...readings.map(r => r + "_unread")]) if (/^(first|second|third)_|symptom/.test(name)) delete d.values[name];
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
			const first = ["base", ...readings].includes(step) && el(step + "_systolic");
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
			if (step === "rest") label = words.restNow;
			else if (step === "stand") label = d.upright === "sitting" ? words.sitNow : words.standNow;
			else if (step === "withheld") label = words.withheldSend;
			else if (step === "long") label = words.longOn;
			else if (step === "review") label = d.answer ? words.again : words.send;
			el("go").textContent = label;
			el("back").hidden = !before[step] && !(step === "symptoms" && !m.stop && m.up) || !!d.review && step !== "withheld";
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
			symptoms.textContent = m.stop ? symptoms.dataset.stopped : m.up ? symptoms.dataset.upright : symptoms.dataset.unread;
			el("ended").hidden = !(step === "symptoms" && longer() && !m.stop && !m.third && readings.some(dropped));
			el("because").classList.toggle("asked", !!d.values.restrict?.length);
			for (const f of named("restrict")) f.closest("label").hidden = restricted(f.value);
			el("anew").hidden = step !== "restcount";
			el("long-how").textContent = words.long.replace("#", d.clear);
			el("third-title").textContent = words.third.replace("#", d.clear);
			if (step === "stand") standing();
			if (step === "withheld" && !el("c-at").value) el("c-at").value = clock(now());
			for (const p of document.querySelectorAll("[data-taken]")) {
				const at = m[p.dataset.taken], from = p.dataset.taken === "base" ? m.rest : m.up;
				p.textContent = at ? words.taken + " " + clock(at) + (from ? ", " + words.after + " " + ((at - from) / 60000).toFixed(1) + " " + words.min : "") : "";
			}
			if (step === "withheld") el("withheld-why").replaceChildren(...withheld().map(text => Object.assign(document.createElement("li"), { textContent: text })));
			if (step === "review") review();
			if (counts[step]) tick();
			drops();
			drawAlarm();
		};
		// standing says before the patient gets up what the set could still show.
		let shown = []; // codes of the questions that stand there
		const beforeStanding = () => {
			const says = [], old = (now() - d.moments.base) / 60000;
			if (shortRest()) says.push(["short_rest", words.warnShortSet.replace("#", restMinutes())]);
			if (old > Number(data.window)) says.push(["old_baseline", words.warnOldBase.replace("#", Math.floor(old))]);
			if (d.stand && longer()) says.push(["", d.stand]);
			return says.concat(d.before.map(w => [w.code, w.text]));
		};
		const standing = () => {
			const says = beforeStanding();
			shown = says.map(([code]) => code);
			el("stand-warn").replaceChildren(...says.map(([, text]) => Object.assign(document.createElement("p"), { className: "bar", textContent: text })));
			el("plain-go").hidden = !shortRest();
		};

		// The countdown.
		let said = "", spoken = "";
		const say = text => { if (text !== said) { said = text; el("live").textContent = text; speak(text); } };
		const speak = text => {
			if (!text || text === spoken || !el("speak").checked || !window.speechSynthesis) return;
			spoken = text;
			speechSynthesis.cancel();
			speechSynthesis.speak(Object.assign(new SpeechSynthesisUtterance(text), { lang: root.lang }));
		};
		// A page that stood still says first how late it is.
		let ticked = 0, late = "";
		const tick = () => {
			const count = counts[d.step], stood = now() - ticked > 3000;
			ticked = now();
			if (!count) return;
			const [from, seconds] = count, at = d.moments[from];
			const left = Math.ceil((at + seconds * 1000 - now()) / 1000), shown = Math.abs(Math.min(left, seconds));
			el("count-title").textContent = { restcount: words.countRest, firstcount: words.countFirst, secondcount: words.countSecond, thirdcount: words.countThird.replace("#", d.clear) }[d.step];
			el("count-how").textContent = d.step === "restcount" ? words.countRestHow : words.countStay;
			el("count-clock").textContent = (left < 0 ? "+" : "") + Math.floor(shown / 60) + ":" + String(shown % 60).padStart(2, "0");
			el("count-word").textContent = left >= 0 ? words.toGo : words.over;
			el("s-count").classList.toggle("over", left <= 0);
			el("go").textContent = asked ? words.anyway : left > 0 ? words.cuff : words.cuffNow;
			if (left <= 0) {
				if (stood && left < -5) {
					late = d.step + at;
					const text = fillIn(words.sayLate, Math.floor(-left / 60), -left % 60);
					if (!asked) note(text); // what is asked for a tap stays to be read
					say(text);
				} else if (late !== d.step + at) say(words.sayEnd);
				if (d.rung !== d.step + at) {
					d.rung = d.step + at;
					save();
					ring();
				}
			} else if (left <= 10) speak(String(left));
			else if (left <= 30) say(words.sayHalf);
			else if (left % 60 === 0) say(words.sayMinutes.replace("#", left / 60));
		};
		setInterval(tick, 250);
		document.addEventListener("visibilitychange", () => { if (!document.hidden) { tick(); stayAwake(); } });

		// How the end is told is kept as it was chosen.
		for (const id of ["sound", "buzz", "speak"]) {
			const chosen = kept.get("choice." + id);
			if (chosen) el(id).checked = chosen === "yes";
			el(id).addEventListener("change", e => kept.set("choice." + id, e.target.checked ? "yes" : "no"));
		}
		let sound = null; // made by a tap: nothing sounds by itself
		page.addEventListener("click", () => { if (el("sound").checked && window.AudioContext) sound ||= new AudioContext(); });
		const ring = () => {
			if (el("buzz").checked && navigator.userActivation?.hasBeenActive) navigator.vibrate?.([300, 150, 300]);
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
			if (value(name + "_unread")) return words.unread;
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
				if (any("third") || d.moments.third) row(words.third.replace("#", d.clear), pressure("third"), "third");
				if (d.moments.stop) row(words.stopped, clock(d.moments.stop) + ", " + words.after + " " + ((d.moments.stop - d.moments.up) / 60000).toFixed(1) + " " + words.min);
				row(words.symptoms, checked("symptom").join(", ") || words.none, "symptoms");
			} else {
				if (value("base_unread")) row(words.seen, checked("symptom").join(", ") || words.none, "symptoms");
				row(words.notStood, withheld().join(", ") || "–");
			}
			const unclear = d.answer?.problems.some(p => p.field.startsWith("cleared"));
			if (d.moments.up && (d.cleared || unclear)) row(words.cleared, d.cleared ? d.cleared.by + ", " + clock(d.cleared.at) : "–", "withheld");
			for (const t of d.told) row(words.told, nameOf(t.whom) + ", " + clock(t.at));
			row(words.limb, checked("limb").join(), "limb");
			if (checked("restrict").length) row(words.restricted, checked("restrict").join(", ") + ": " + checked("because").join().toLowerCase(), "limb");
			row(words.before, checked("mobility").concat(checked("hold")).join(", "), "before");
			el("review-help").hidden = !d.moments.up;
			el("cannot-count").hidden = !hopeless() || d.plain;
			el("plain-instead").hidden = !hopeless() && !d.plain;
			el("plain-instead").textContent = el("plain-instead").dataset[d.plain ? "set" : "plain"];
			if (d.plain) row(words.plain, "✓");
			list.replaceChildren(...rows);
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

		// ago is how many minutes ago the clocks of the site last showed a time.
		const ago = text => {
			const [h, min] = text.split(":").map(Number), [nh, nm] = clock(now()).split(":").map(Number);
			return (nh * 60 + nm - h * 60 - min + 1440) % 1440;
		};

		// What people press.
		form.addEventListener("submit", e => e.preventDefault()); // Enter is dealt with below
		form.addEventListener("keydown", e => {
			if (e.key !== "Enter" || e.target.tagName !== "INPUT" || e.target.type === "checkbox" || e.target.type === "radio") return;
			e.preventDefault();
			if (e.target === led && !led.value) { led = null; return; }
			if (e.target.id.startsWith("c-")) return el("withheld-on").click();
			const fields = figureFields(e.target);
			const next = fields[fields.indexOf(e.target) + 1];
			if (e.target.id === "since") el("since-go").click();
			else if (next) next.focus();
			else steps[d.step]();
		});
		// What was so at the last set is offered: one tap says that it is so now, and that the patient rests.
		el("as-last")?.addEventListener("click", e => {
			if (!deathAsked()) return note(words.needDied);
			const { mobility, limb } = e.currentTarget.dataset;
			for (const [name, chosen] of [["mobility", mobility], ["no_holds", "yes"], ["limb", limb], ["base_position", "lying"]]) {
				for (const f of named(name)) f.checked = f.value === chosen;
				gather(name);
			}
			clear("hold");
			d.upright = mobility === "sit" ? "sitting" : "standing";
			begin();
			d.moments.rest = now();
			show("restcount");
		});
		for (const b of page.querySelectorAll("[data-dizzy]")) {
			b.addEventListener("click", () => named("symptom").find(f => f.value === "dizziness").click());
		}
		el("go").addEventListener("click", () => steps[d.step]());
		el("back").addEventListener("click", () => show(d.step === "symptoms" ? readings.findLast(r => d.moments[r]) : before[d.step]));
		el("stop").addEventListener("click", () => {
			d.stoppedFrom = d.step;
			d.moments.stop = now();
			d.moments.up ||= d.moments.stop;
			show("symptoms");
		});
		el("unstop").addEventListener("click", () => { delete d.moments.stop; show(d.stoppedFrom || "firstcount"); });
		el("swap").addEventListener("click", () => { d.upright = d.upright === "sitting" ? "standing" : "sitting"; save(); draw(); });
		el("skip-up").addEventListener("click", () => { forget(); show("review"); });
		el("withheld-on").addEventListener("click", () => {
			const by = el("c-by").value.trim(), at = ago(el("c-at").value);
			if (!by || !(at >= 0)) return note(words.needCleared);
			d.cleared = { by, at: now() - at * 60000 };
			changed();
			show(toReview() || "stand");
		});
		for (const b of form.querySelectorAll("button[data-unread]")) b.addEventListener("click", () => alarm("unread"));
		el("anew").addEventListener("click", () => { d.moments.rest = now(); asked = ""; note(""); save(); draw(); });
		el("plain-go").addEventListener("click", () => { forget(); d.plain = true; show("review"); });
		el("plain-instead").addEventListener("click", () => { d.plain = !d.plain; changed(); draw(); });
		el("since-go").addEventListener("click", () => {
			const minutes = ago(el("since").value);
			el("since-wrong").hidden = minutes <= 720;
			if (!(minutes <= 720)) return;
			d.moments.rest = now() - minutes * 60000;
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
