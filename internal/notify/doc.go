// Package notify tells people outside the pages what is owed: by a signed webhook
// and by e-mail, at once and as a briefing before the huddle.
//
// Every notice is told at least once and always under the same id. What is told
// by which channel is one row of the store, made before the first attempt: a
// program that is killed at any moment goes on where it stood. What to do is
// decided by pure functions (Plan, Decide, Backoff, Schedule); senders and the
// store stand behind small interfaces. Patients' names leave the program only
// where the site has turned that on.
package notify
