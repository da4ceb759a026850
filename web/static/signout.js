// Says that a set on this device was not sent, and takes all that is kept of sets off
// the device when somebody signs out. The server asks the browser for the same.
"use strict";
document.addEventListener("DOMContentLoaded", () => {
	const PREFIX = "plumbline.set.";
	const keys = () => { try { return Object.keys(localStorage).filter(k => k.startsWith(PREFIX)); } catch { return []; } };
	const unsent = document.getElementById("unsent");
	const begun = key => { try { return Object.keys(JSON.parse(localStorage[key]).values).length > 0; } catch { return false; } };
	if (unsent) unsent.hidden = !keys().some(k => k.startsWith(PREFIX + "draft.") && begun(k));
	for (const form of document.querySelectorAll('form[action="/sign-out"]')) {
		form.addEventListener("submit", () => {
			for (const key of keys()) localStorage.removeItem(key);
			try { sessionStorage.clear(); } catch { /* nothing is kept there then */ }
			window.caches?.keys().then(names => names.forEach(name => caches.delete(name)));
			navigator.serviceWorker?.getRegistrations().then(all => all.forEach(r => r.unregister()));
		});
	}
});
