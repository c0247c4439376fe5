// Package analysis has examples of what to ask of an exported record, as plain scripts for
// Python and for R, and tests that run them.
package analysis
