// Package auth holds accounts: who may sign in, what their roles permit, on which
// units, and how passwords, sessions and attempts to sign in are handled. It keeps
// nothing itself (see Store) and asks no clock of its own (see Service.Clock).
package auth
