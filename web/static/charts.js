// Draws the charts whose options the page carries. Options are data: "@name" in
// them is a colour of the style sheet, or one of the formatters below.
"use strict";
(() => {
	const source = document.getElementById("chart-data");
	if (!source || typeof echarts === "undefined") return;
	const data = JSON.parse(source.textContent);
	const hour = 3600000;

	// Times are the site's, whatever zone the browser is in.
	const format = options => {
		const make = zone => new Intl.DateTimeFormat("en-GB", { timeZone: zone, hourCycle: "h23", ...options });
		try { return make(data.zone); } catch { return make("UTC"); }
	};
	const clock = format({ hour: "2-digit", minute: "2-digit" });
	const day = format({ day: "numeric", month: "short" });
	const moment = format({ day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
	const midnights = new Set(data.midnights);
	const when = t => moment.format(t).replace(",", "");

	const formatters = {
		clock: t => midnights.has(t) ? day.format(t) : clock.format(t),
		moment: t => when(t),
		readout: params => readout(reading ?? (Array.isArray(params) ? params[0] : params).axisValue),
	};

	// linesOf tells what stood at a moment, each line with its own time; of one panel
	// or of all.
	const nearest = (list, t) => list.reduce((best, e) => !best || Math.abs(e.t - t) < Math.abs(best.t - t) ? e : best, null);
	const latest = (list, t) => list.reduce((best, e) => e.t <= t ? e : best, null);
	const capital = text => text[0].toUpperCase() + text.slice(1);
	const own = {
		pressure: ["sets", "marks"], drop: ["sets", "marks"], dose: ["marks", "doses"], fluid: ["marks", "shifts"],
		weight: ["weights", "marks"], precaution: ["spans", "marks"],
	};
	// points are those of one moment, of each panel that has its own.
	const pointsOf = (t, reach, panels) => panels.flatMap(panel => {
		const list = data.points[panel] || [], one = nearest(list, t);
		return one && Math.abs(one.t - t) <= reach / 2 ? list.filter(p => p.t === one.t).map(p => when(p.t) + ": " + p.text) : [];
	});
	const parts = {
		sets: (t, reach) => {
			const set = nearest(data.readout.sets, t);
			return set && Math.abs(set.t - t) <= Math.max(reach, 2 * hour) ? [data.words.set + " " + when(set.t) + ": " + set.text] : [];
		},
		marks: (t, reach) => data.readout.marks.filter(m => Math.abs(m.t - t) <= reach / 2).map(m => when(m.t) + ": " + m.text),
		doses: t => [latest(data.readout.doses, t)].filter(Boolean).map(d => capital(d.text)),
		shifts: t => data.readout.shifts.filter(s => s.from <= t && t < s.to).slice(0, 1).map(s => capital(s.text)),
		weights: t => [latest(data.readout.weights, t)].filter(Boolean).map(w => when(w.t) + ": " + w.text),
		spans: t => {
			const there = data.readout.spans.filter(s => s.from <= t && t <= s.to).map(s => s.text);
			return data.readout.spans.length ? [data.words.spans + " " + ([...new Set(there)].join(", ") || data.words.none)] : [];
		},
	};
	const linesOf = (t, panel) => {
		const reach = panel ? hour / 10 : (shown.to - shown.from) / 25;
		const said = (panel ? own[panel] || ["marks"] : Object.keys(parts)).flatMap(name => parts[name](t, reach));
		return [...said, ...pointsOf(t, reach, panel ? [panel] : Object.keys(data.points))];
	};
	const readout = t => chartBase.readout([when(t), ...linesOf(t)]);

	// ticks stand at round hours of the site's clock.
	const steps = [1, 2, 3, 6, 12, 24, 48, 96, 168, 336, 672];
	const ticks = width => {
		const room = Math.max(2, Math.floor((width - 70) / 58)), hours = (shown.to - shown.from) / hour;
		const step = steps.find(s => hours / s <= room) || 672;
		const out = [];
		data.midnights.forEach((m, n) => {
			if (step >= 24) {
				if (n % (step / 24) === 0) out.push(m);
				return;
			}
			const end = data.midnights[n + 1] ?? m + 24 * hour;
			// By the site's clock, also on the day when it is put forward or back.
			for (let t = m; t < end; t += hour) if (Number(clock.format(t).slice(0, 2)) % step === 0) out.push(t);
		});
		return out.filter(t => t >= shown.from && t <= shown.to);
	};

	const shown = { from: data.from, to: data.to };
	const charts = [];
	let reading = null; // the moment that the arrow keys read at
	const layTicks = one => {
		const values = ticks(one.el.clientWidth);
		one.chart.setOption({ xAxis: { axisLabel: { customValues: values }, axisTick: { customValues: values } } }, { lazyUpdate: false });
	};
	const draw = (one, style) => {
		one.chart.setOption(chartBase.resolve(data.panels[one.el.dataset.panel], style, formatters), { notMerge: true });
		layTicks(one);
		if (shown.from !== data.from || shown.to !== data.to) zoomOne(one);
	};
	const zoomOne = one => one.chart.dispatchAction({ type: "dataZoom", startValue: shown.from, endValue: shown.to });

	let following = false;
	const follow = from => {
		if (following) return;
		following = true;
		const zoom = from.chart.getOption().dataZoom[0];
		shown.from = zoom.startValue;
		shown.to = zoom.endValue;
		for (const one of charts) {
			if (one !== from) zoomOne(one);
			layTicks(one);
		}
		following = false;
		press();
	};

	const buttons = [...document.querySelectorAll(".zoom button")];
	const press = () => {
		for (const b of buttons) {
			const span = b.dataset.span * hour;
			const on = span ? Math.abs(shown.to - data.to) < hour / 60 && Math.abs(shown.to - shown.from - span) < hour / 60
				: shown.from === data.from && shown.to === data.to;
			b.setAttribute("aria-pressed", on);
		}
	};
	const zoomAll = () => {
		following = true;
		for (const one of charts) {
			zoomOne(one);
			layTicks(one);
		}
		following = false;
		press();
	};
	for (const b of buttons) {
		const span = b.dataset.span * hour;
		b.addEventListener("click", () => {
			shown.to = data.to;
			shown.from = span ? Math.max(data.from, data.to - span) : data.from;
			zoomAll();
		});
		b.hidden = span > data.to - data.from;
	}

	const screen = getComputedStyle(document.documentElement);
	for (const el of document.querySelectorAll(".chart[data-panel]")) {
		if (!data.panels[el.dataset.panel]) continue;
		el.tabIndex = 0;
		el.setAttribute("role", "application");
		el.setAttribute("aria-roledescription", "chart");
		el.setAttribute("aria-describedby", "chart-keys");
		const one = { el, chart: echarts.init(el, null, { renderer: "canvas" }) };
		charts.push(one);
		draw(one, screen);
		one.chart.on("datazoom", () => follow(one));
		new ResizeObserver(() => {
			if (paper.printing) return;
			one.chart.resize();
			layTicks(one);
		}).observe(el);
	}
	document.getElementById("chart-keys").hidden = charts.length === 0;

	// Arrow keys move a reading line from point to point of the panel in focus.
	const move = { ArrowLeft: n => n - 1, ArrowRight: n => n + 1, Home: () => 0, End: (_, last) => last };
	const read = (one, n) => {
		const panel = one.el.dataset.panel, stops = data.stops[panel], t = stops[n];
		one.stop = n;
		reading = t;
		if (t < shown.from || t > shown.to) { // the zoom follows the reading
			const half = (shown.to - shown.from) / 2;
			shown.from = Math.max(data.from, Math.min(t - half, data.to - 2 * half));
			shown.to = shown.from + 2 * half;
			zoomAll();
		}
		const x = one.chart.convertToPixel({ xAxisIndex: 0 }, t);
		one.chart.dispatchAction({ type: "showTip", x, y: one.el.clientHeight / 2 });
		for (const other of charts) cross(other, other === one ? null : t); // its own line is the tooltip's
		document.querySelector(`[data-reading="${panel}"]`).textContent = [when(t), ...linesOf(t, panel), `${n + 1} ${data.words.place} ${stops.length}`].join(". ");
	};
	const stopReading = () => {
		reading = null;
		for (const one of charts) {
			one.chart.dispatchAction({ type: "hideTip" });
			cross(one, null);
		}
	};
	for (const one of charts) {
		const stops = data.stops[one.el.dataset.panel] || [];
		one.el.addEventListener("keydown", e => {
			if (e.key === "Escape") return stopReading();
			if (!move[e.key] || !stops.length || e.ctrlKey || e.altKey || e.metaKey) return;
			e.preventDefault();
			const last = stops.length - 1, from = one.stop ?? (e.key === "ArrowRight" ? -1 : last + 1);
			read(one, Math.max(0, Math.min(last, move[e.key](from, last))));
		});
		one.el.addEventListener("blur", stopReading);
		one.el.addEventListener("pointermove", () => { reading = null; });
	}

	// The line of the pointer runs through all panels; only the one under it speaks.
	for (const one of charts) {
		one.chart.getZr().on("mousemove", e => {
			const t = one.chart.convertFromPixel({ xAxisIndex: 0 }, e.offsetX);
			for (const other of charts) if (other !== one) cross(other, t);
		});
		one.chart.getZr().on("globalout", () => { for (const other of charts) if (other !== one) cross(other, null); });
	}
	const cross = (one, t) => {
		const line = one.cross ||= one.chart.getZr() && new echarts.graphic.Line({ silent: true, z: 50, invisible: true });
		if (!one.added) { one.chart.getZr().add(line); one.added = true; }
		const x = t === null ? NaN : one.chart.convertToPixel({ xAxisIndex: 0 }, t);
		const off = !(x >= 54 && x <= one.el.clientWidth - 16);
		line.attr({ invisible: off, shape: off ? {} : { x1: x, x2: x, y1: 28, y2: one.el.clientHeight - 26 } });
		line.setStyle({ stroke: screen.getPropertyValue("--ink").trim(), lineWidth: 1, lineDash: [4, 4] });
	};

	if (charts.length && buttons.filter(b => !b.hidden).length > 1) document.querySelector(".zoom").hidden = false;

	const size = one => {
		const has = name => one.el.classList.contains(name);
		if (has("lanes")) return { width: 690, height: 44 + 46 * [1, 2, 3, 4, 5, 6, 7, 8].find(n => has("rows-" + n)) };
		if (one.el.closest(".panels.doses")) return has("mid") ? { width: 690, height: 120 } : { width: 330, height: 92 };
		if (has("tall")) return { width: 690, height: 132 };
		return has("spans") ? { width: 456, height: has("many") ? 150 : 108 } : { width: 222, height: 92 };
	};
	const paper = chartBase.follow(charts, screen, draw, size, one => {
		one.chart.setOption({ grid: { bottom: 24, top: 20 }, dataZoom: data.panels[one.el.dataset.panel].dataZoom.map(z => ({ show: false })) });
	});
})();
