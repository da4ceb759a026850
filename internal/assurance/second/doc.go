// Command second holds this program's answers to those of another implementation,
// which was written from the words of the rules by somebody who had not seen this one
// (docs/adr/0009-a-second-implementation.md).
//
// Its answers to one feed are frozen in testdata. Where a rule is changed on purpose,
// some of them are no longer right; the command says which, by field:
//
//	make second
//
// and, after each has been read against the words of the rule, takes them over:
//
//	make second TAKE=1 WHY="R-REPEAT counts a set with symptoms alone"
//
// What is taken over is written to testdata/reviewed.tsv with its day and reason, as an
// answer of this program: it is no longer independent, and is counted apart. The frozen
// answers themselves are never rewritten.
package main
