// Package idp signs people in by the site's sign-in service, with OpenID Connect: the
// authorization code flow with PKCE. It finds the service, sends browsers there,
// checks what comes back, and says which roles and units a person's groups give. It
// keeps no account and no session: see auth.Service.Arrive.
package idp
