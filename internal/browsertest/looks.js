// A JavaScript function: finds the looks of a page and holds those that are new to the colour rules of axe-core;
// or, with whole, holds the whole page to every rule, which judges each look on it.
//
// A look is what these rules judge a text by: its colour, whether it is large, what lies
// behind it, and for a link what sets it off from the words around it. Texts of one look
// are judged alike, so a look is judged once, wherever it was first seen.
//
// What only the place of boxes decides, such as a text over another box, is not part of
// a look: the check of a whole page (Page.Axe) sees that.
(async (known, whole) => {
	const behind = new Map(); // element -> the looks of what it paints below its text

	function ground(e) {
		if (!e) return "";
		if (!behind.has(e)) {
			const s = getComputedStyle(e);
			const own = [
				s.backgroundColor === "rgba(0, 0, 0, 0)" ? "" : s.backgroundColor,
				s.backgroundImage === "none" ? "" : s.backgroundImage,
				s.opacity === "1" ? "" : "opacity " + s.opacity,
				s.mixBlendMode === "normal" ? "" : s.mixBlendMode,
				s.filter === "none" ? "" : s.filter,
			].filter(Boolean).join(" ");
			behind.set(e, ground(e.parentElement) + (own && " > " + own));
		}
		return behind.get(e);
	}

	// What lies outside of the page, such as a link that comes into view with the focus, is not judged.
	function seen(e) {
		const box = e.getBoundingClientRect();
		return box.width > 1 && box.height > 1 && box.right + scrollX > 0 && box.bottom + scrollY > 0 &&
			e.checkVisibility({opacityProperty: true, visibilityProperty: true});
	}

	// axe-core judges no text of signs alone, such as an arrow, and no box that is ticked.
	const wordsIn = e => [...e.childNodes].some(n => n.nodeType === Node.TEXT_NODE && /[\p{L}\p{N}]/u.test(n.data));
	const holdsText = "select, textarea, input:not([type=checkbox], [type=radio], [type=hidden], [type=range], [type=file])";

	function linkIn(e) {
		const around = e.parentElement, s = getComputedStyle(e);
		return ["link", s.textDecorationLine, s.textDecorationStyle, s.borderBottomWidth, s.borderBottomStyle,
			around && wordsIn(around) ? "among words " + getComputedStyle(around).color : ""].join(" ");
	}

	// Of size and weight the rules ask one thing: whether the text is large by WCAG 2.2, 1.4.3 (18 point, or 14 point
	// and bold), where less contrast is enough.
	const large = s => parseFloat(s.fontSize) >= (parseInt(s.fontWeight) >= 700 ? 14 : 18) * 96 / 72;

	function lookOf(e) {
		const s = getComputedStyle(e);
		return [s.color, s.webkitTextFillColor, large(s) ? "large" : "small", s.textShadow,
			e.matches("a[href], [role=link]") ? linkIn(e) : "", ground(e)].join("; ");
	}

	function texts() {
		return [...document.querySelectorAll("body *")].filter(e => (wordsIn(e) || e.matches(holdsText)) && seen(e));
	}

	const told = answer => answer.violations.map(v => ({
		Rule: v.id, Impact: v.impact, Help: v.help, Where: v.nodes.map(n => n.target.flat(9).join(" ")),
	}));

	if (whole) {
		const answer = await axe.run(document, {
			runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"],
			resultTypes: ["violations", "incomplete"], elementRef: true,
		});
		// What it found wrong, or could not judge, is asked for again elsewhere.
		const open = new Set([...answer.violations, ...answer.incomplete]
			.filter(r => r.id === "color-contrast" || r.id === "link-in-text-block")
			.flatMap(r => r.nodes.map(n => lookOf(n.element))));
		return {Judged: [...new Set(texts().map(lookOf))].filter(look => !open.has(look)), Violations: told(answer)};
	}

	const fresh = new Map(); // look -> the elements that have it
	for (const e of texts()) {
		const look = lookOf(e);
		if (!known.has(look)) fresh.set(look, fresh.get(look) || []).get(look).push(e);
	}
	if (!fresh.size) return {Judged: [], Violations: []};

	const answer = await axe.run({include: [...fresh.values()].flatMap(list => list.slice(0, 3))}, {
		runOnly: {type: "rule", values: ["color-contrast", "link-in-text-block"]},
		resultTypes: ["violations", "passes"], elementRef: true,
	});
	const judged = answer.passes.filter(r => r.id === "color-contrast").flatMap(r => r.nodes.map(n => lookOf(n.element)));
	return {Judged: [...new Set(judged)], Violations: told(answer)};
})
