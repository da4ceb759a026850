// Draws the charts of a unit over time, whose options the page carries: "@name" in
// them is a colour of the style sheet, "@read" what a pointer reads off a place.
"use strict";
(() => {
	const source = document.getElementById("chart-data");
	if (!source || typeof echarts === "undefined") return;
	const data = JSON.parse(source.textContent);

	const readout = lines => {
		const box = document.createElement("div");
		lines.forEach((line, n) => {
			const p = document.createElement("p");
			p.append(n ? line : Object.assign(document.createElement("strong"), { textContent: line }));
			box.append(p);
		});
		return box;
	};
	const resolve = (v, style, reads) => {
		if (v === "@read") return params => {
			const at = (Array.isArray(params) ? params : [params]).find(p => p.seriesName !== "interval");
			return readout(at ? reads[Array.isArray(at.value) ? at.value[0] : at.dataIndex] : []);
		};
		if (typeof v === "string" && v[0] === "@") return style.getPropertyValue("--" + v.slice(1)).trim();
		if (Array.isArray(v)) return v.map(e => resolve(e, style, reads));
		if (v && typeof v === "object") return Object.fromEntries(Object.entries(v).map(([k, e]) => [k, resolve(e, style, reads)]));
		return v;
	};

	const screen = getComputedStyle(document.documentElement);
	const charts = [];
	let printing = false;
	const draw = (one, style) => {
		const panel = data.panels[one.el.dataset.panel];
		one.chart.setOption(resolve(panel.option, style, panel.reads), { notMerge: true });
	};
	for (const el of document.querySelectorAll(".chart[data-panel]")) {
		if (!data.panels[el.dataset.panel]) continue;
		el.setAttribute("role", "img");
		const one = { el, chart: echarts.init(el, null, { renderer: "canvas" }) };
		charts.push(one);
		draw(one, screen);
		new ResizeObserver(() => { if (!printing) one.chart.resize(); }).observe(el);
	}
	matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => charts.forEach(one => draw(one, screen)));

	// On paper: black on white, at the size that the style sheet gives there.
	addEventListener("beforeprint", () => {
		printing = true;
		const probe = document.createElement("div");
		probe.className = "printing";
		document.body.append(probe);
		for (const one of charts) {
			one.chart.resize({ width: 345, height: 158 });
			draw(one, getComputedStyle(probe));
		}
		probe.remove();
	});
	addEventListener("afterprint", () => {
		printing = false;
		for (const one of charts) {
			one.chart.resize({ width: "auto", height: "auto" });
			draw(one, screen);
		}
	});
})();
