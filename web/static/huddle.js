// Moves through the ranked list by keys. They work only while the focus is on a bed
// of the list, so that no letter is taken from whoever types or speaks elsewhere.
// Without this script the list is walked through by the Tab key.
"use strict";
(() => {
	const beds = () => [...document.querySelectorAll("ol.rank .c-who a[href]")];
	const step = { ArrowDown: 1, j: 1, ArrowUp: -1, k: -1 };
	const open = { ArrowRight: true, o: true, ArrowLeft: false, c: false };
	document.addEventListener("keydown", e => {
		if (e.ctrlKey || e.metaKey || e.altKey || e.defaultPrevented) return;
		const all = beds(), here = all.indexOf(document.activeElement);
		if (here < 0) return;
		if (e.key in open) {
			e.preventDefault();
			all[here].closest(".row").querySelector("details.more").open = open[e.key];
			return;
		}
		let to = here + (step[e.key] || 0);
		if (e.key === "Home") to = 0;
		else if (e.key === "End") to = all.length - 1;
		else if (!step[e.key]) return;
		e.preventDefault();
		const bed = all[Math.max(0, Math.min(all.length - 1, to))];
		bed.focus();
		bed.closest(".row").scrollIntoView({ block: "nearest" });
	});
	// What an address leads to is seen: the row that it stands in opens.
	const reveal = () => {
		const to = document.getElementById(decodeURIComponent(location.hash.slice(1)));
		const row = to && to.closest("details.more");
		if (row) { row.open = true; to.scrollIntoView({ block: "nearest" }); }
	};
	addEventListener("hashchange", reveal);
	reveal();
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
