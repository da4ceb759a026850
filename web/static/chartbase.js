// What the charts of a stay and those of a unit have in common: colours of the style
// sheet in their options, the box of a pointer, and the change to paper and back.
"use strict";
const chartBase = (() => {
	// resolve puts in place what options name as "@name": what special gives for the
	// name, else a colour of the style sheet.
	const resolve = (v, style, special) => {
		if (typeof v === "string" && v[0] === "@") return special[v.slice(1)] || style.getPropertyValue("--" + v.slice(1)).trim();
		if (Array.isArray(v)) return v.map(e => resolve(e, style, special));
		if (v && typeof v === "object") return Object.fromEntries(Object.entries(v).map(([k, e]) => [k, resolve(e, style, special)]));
		return v;
	};

	// readout is a box of lines, the first of them strong.
	const readout = lines => {
		const box = document.createElement("div");
		lines.forEach((line, n) => {
			const p = document.createElement("p");
			p.append(n ? line : Object.assign(document.createElement("strong"), { textContent: line }));
			box.append(p);
		});
		return box;
	};

	// follow draws charts anew when the colours change and for paper: black on white,
	// at the size that the style sheet gives there. It tells whether paper is drawn.
	const follow = (charts, screen, draw, size, onPaper) => {
		const state = { printing: false };
		matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => charts.forEach(one => draw(one, screen)));
		addEventListener("beforeprint", () => {
			state.printing = true;
			const probe = document.createElement("div");
			probe.className = "printing";
			document.body.append(probe);
			for (const one of charts) {
				one.chart.resize(size(one));
				draw(one, getComputedStyle(probe));
				onPaper?.(one);
			}
			probe.remove();
		});
		addEventListener("afterprint", () => {
			state.printing = false;
			for (const one of charts) {
				one.chart.resize({ width: "auto", height: "auto" });
				draw(one, screen);
			}
		});
		return state;
	};

	return { resolve, readout, follow };
})();
