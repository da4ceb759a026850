// Package ingest brings feeds into the store: it reads files, keeps what can be
// used, holds back what cannot with its reason, and tells what became of every
// row. The readers of each format stand in folders of their own.
package ingest
