package book_test

import (
	"flag"
	"testing"
)

// A record of one property test is a day of a lab, and takes seconds when races are looked
// for. Longer, by hand: go test ./internal/book -rapid.checks 1000
func TestMain(m *testing.M) {
	if err := flag.Set("rapid.checks", "25"); err != nil {
		panic(err)
	}
	m.Run()
}
