// A JavaScript function: holds one of each kind of row to the rules of axe-core that do
// not look at colours.
//
// Of siblings that are built alike (the same tags, classes, roles, kinds of fields, and
// words in the same places) the first stands for all: a list of 33 patients costs what
// its different rows cost. The check of a whole page (Page.Axe) leaves none out.
(async () => {
	const few = 4; // elements: leaving out less costs more than it saves
	const built = new Map();

	function form(e) {
		const words = [...e.childNodes].some(n => n.nodeType === Node.TEXT_NODE && n.data.trim());
		const told = ["class", "role", "type", "href", "aria-label", "aria-labelledby", "aria-hidden", "hidden", "open", "disabled"]
			.filter(a => e.hasAttribute(a)).map(a => a === "class" || a === "role" || a === "type" ? a + "=" + e.getAttribute(a) : a);
		const text = e.localName + " " + told + (words ? " words" : "") + "(" + [...e.children].map(form).join() + ")";
		built.set(e, text);
		return text;
	}

	const exclude = [];
	function walk(e) {
		const seen = new Set();
		for (const child of e.children) {
			if (child.querySelectorAll("*").length < few) continue;
			if (seen.has(built.get(child))) exclude.push(child);
			else walk(child);
			seen.add(built.get(child));
		}
	}
	form(document.body);
	walk(document.body);

	const answer = await axe.run(exclude.length ? {include: [document.documentElement], exclude} : document, {
		runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"], resultTypes: ["violations"],
		rules: {"color-contrast": {enabled: false}, "link-in-text-block": {enabled: false}},
	});
	return answer.violations.map(v => ({
		Rule: v.id, Impact: v.impact, Help: v.help, Where: v.nodes.map(n => n.target.flat(9).join(" ")),
	}));
})
