// Says since when a display has had no network, and shows its wall again once there is one.
"use strict";
document.addEventListener("DOMContentLoaded", () => {
	const says = document.getElementById("offline"), TRIES = 15000;
	const tell = async () => {
		const kept = await self.caches?.match("/wall/heard");
		if (!kept) return;
		const form = { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", timeZone: says.dataset.zone, hour12: false };
		const parts = new Intl.DateTimeFormat("en-GB", form).formatToParts(new Date(await kept.text()));
		const of = type => parts.find(p => p.type === type).value;
		says.textContent = says.dataset.since.replace("#1", `${of("day")} ${of("month")} ${of("hour")}:${of("minute")}`);
	};
	const again = async () => {
		try {
			const answer = await fetch("/wall", { redirect: "manual", cache: "no-store" });
			if (answer.status < 502) location.replace("/wall");
		} catch { /* no network yet */ }
	};
	tell();
	setInterval(again, TRIES);
	addEventListener("online", again);
});
