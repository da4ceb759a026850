// Moves through the ranked list by keys. They work only while the focus is on a bed
// of the list, so that no letter is taken from whoever types or speaks elsewhere.
// Without this script the list is walked through by the Tab key.
"use strict";
(() => {
	const beds = () => [...document.querySelectorAll("table.rank .c-who a[href]")];
	const step = { ArrowDown: 1, j: 1, ArrowUp: -1, k: -1 };
	document.addEventListener("keydown", e => {
		if (e.ctrlKey || e.metaKey || e.altKey || e.defaultPrevented) return;
		const all = beds(), here = all.indexOf(document.activeElement);
		if (here < 0) return;
		let to = here + (step[e.key] || 0);
		if (e.key === "Home") to = 0;
		else if (e.key === "End") to = all.length - 1;
		else if (!step[e.key]) return;
		e.preventDefault();
		const bed = all[Math.max(0, Math.min(all.length - 1, to))];
		bed.focus();
		bed.closest("tr").scrollIntoView({ block: "nearest" });
	});
	// A field that was opened is ready to be typed into; Escape closes it again.
	document.addEventListener("toggle", e => {
		if (e.target.matches?.("details.whom[open]") && e.target.contains(document.activeElement)) e.target.querySelector("input[name=name]").focus();
	}, true);
	document.addEventListener("keydown", e => {
		const open = e.key === "Escape" && e.target.closest?.("details.whom[open]");
		if (!open) return;
		open.open = false;
		open.querySelector("summary").focus();
	});
})();
