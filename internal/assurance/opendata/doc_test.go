// Package opendata checks the program against a published clinical trial: real
// visits, each with the patient lying five minutes and then standing one and
// three. It holds tests only, and the program imports nothing of it.
//
// A converter (convert_test.go) lays the trial's tables out as a CSV feed, and
// the program's own commands load and judge it. The same raw tables are put into
// PostgreSQL, and testdata/*.sql works out every figure a second time, written
// from the rules and not from the program: window functions in place of loops,
// the trial's standardised values in place of the charted ones. Then the two are
// compared, figure by figure.
//
// The data is no part of the repository. The tests look for folders cdisc-pilot*
// below ../shared/data beside the repository, or below the folder that
// PLUMBLINE_OPEN_DATA names, and are skipped where there is none. The tables are
// those of the CDISC SDTM/ADaM pilot project, as kept by pharmaverse (Apache-2.0;
// attribution to CDISC).
package opendata
