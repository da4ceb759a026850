package fhirfeed_test

import (
	"strings"
	"testing"
)

// An entry that deletes a resource is no row, and is named once.
func TestDeletionsAreNamed(t *testing.T) {
	d := newDesk(t)
	s := d.load(map[string]string{"history.json": `{"resourceType":"Bundle","type":"history","entry":[
		{"fullUrl":"urn:a","request":{"method":"DELETE","url":"Observation/B"}},
		{"request":{"method":"DELETE","url":"Observation/C"}},
		{"request":{"method":"GET","url":"Observation/C"}}]}`})
	if s.Rows != 0 || len(s.Notices) != 1 || !strings.Contains(s.Notices[0].Reason, "deletions (request.method DELETE) are not read") {
		t.Errorf("%d rows, notices %v", s.Rows, s.Notices)
	}
}
