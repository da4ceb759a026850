// Draws the charts of a unit over time, whose options the page carries: "@name" in
// them is a colour of the style sheet, "@read" what a pointer reads off a place.
"use strict";
(() => {
	const source = document.getElementById("chart-data");
	if (!source || typeof echarts === "undefined") return;
	const data = JSON.parse(source.textContent);

	const read = reads => params => {
		const at = (Array.isArray(params) ? params : [params]).find(p => p.seriesName !== "interval");
		return chartBase.readout(at ? reads[Array.isArray(at.value) ? at.value[0] : at.dataIndex] : []);
	};

	const screen = getComputedStyle(document.documentElement);
	const charts = [];
	const draw = (one, style) => {
		const panel = data.panels[one.el.dataset.panel];
		one.chart.setOption(chartBase.resolve(panel.option, style, { read: read(panel.reads) }), { notMerge: true });
	};
	for (const el of document.querySelectorAll(".chart[data-panel]")) {
		if (!data.panels[el.dataset.panel]) continue;
		el.setAttribute("role", "img");
		const one = { el, chart: echarts.init(el, null, { renderer: "canvas" }) };
		charts.push(one);
		draw(one, screen);
		new ResizeObserver(() => { if (!paper.printing) one.chart.resize(); }).observe(el);
	}
	const paper = chartBase.follow(charts, screen, draw, () => ({ width: 310, height: 158 }));
})();
