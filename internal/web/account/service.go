// Package account is signing in and out, at the site's sign-in service too, and the page
// of one's own account.
package account

import (
	"plumbline/internal/idp"
	"plumbline/internal/web/frame"
)

// Deps is what these pages need besides the frame.
type Deps struct {
	// Demo, where set, is shown on the sign-in page to whoever sits at this machine.
	Demo []DemoAccount
	// SignInService signs people in from elsewhere. Nil: there is none.
	SignInService *idp.Service
	// Launches is the record that opens pages here. Nil: none does.
	Launches *Record
}

type service struct {
	*frame.Frame
	Deps
}

// Routes are the ways to these pages.
func Routes(f *frame.Frame, d Deps) []frame.Route {
	s := &service{f, d}
	return []frame.Route{
		frame.Get("/sign-in", frame.Public, s.signInPage),
		frame.Post("/sign-in", frame.Public, s.signIn),
		frame.GetOther("/sign-in/oidc", frame.Public, s.beginAtService),
		frame.GetOther(idp.BackPath, frame.Public, s.backFromService),
		frame.GetOther(idp.LaunchPath, frame.Public, s.launch),
		frame.GetOther(idp.LaunchBackPath, frame.Public, s.backFromRecord),
		frame.Get(frame.EnrolURL, frame.Public, s.enrolPage),
		frame.Get(frame.WallURL+"/offline", frame.Public, s.offlinePage),
		frame.GetOther("/wall-worker.js", frame.Public, s.wallWorker),
		frame.Post(frame.EnrolURL, frame.Public, s.enrol),
		frame.Get("/sign-out", frame.SignedIn, s.signOutPage),
		frame.Post("/sign-out", frame.SignedIn, s.signOut),
		frame.Get("/account", frame.SignedIn, s.accountPage),
		frame.Post("/account", frame.SignedIn, s.changePassword),
		frame.Post("/account/codes", frame.SignedIn, s.showCodes),
	}
}
