package drivertest_test

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/plugins/sdk/drivertest"
)

// TestMain makes the test binary the driver that its arguments name.
func TestMain(m *testing.M) {
	if len(os.Args) > 2 && os.Args[1] == "raw" {
		beRaw(os.Args[2])
		return
	}
	if len(os.Args) > 1 && os.Args[1] == "sleep" {
		time.Sleep(time.Minute)
		return
	}
	goleak.VerifyTestMain(m)
}

// TestContract: the suite names every MUST of driver.proto, in its order, and every
// MUST there has an id.
func TestContract(t *testing.T) {
	text, err := os.ReadFile("../../../proto/evenbench/v1/driver.proto")
	if err != nil {
		t.Fatal(err)
	}
	// Comments only, as one text: a sentence goes over lines.
	var words []string
	for line := range strings.Lines(string(text)) {
		if _, comment, ok := strings.Cut(line, "//"); ok {
			words = append(words, strings.Fields(comment)...)
		}
	}
	var ids []string
	id := regexp.MustCompile(`^EB-D-\d\d`)
	taken := true // what the next MUST would belong to has one already
	for _, w := range words {
		switch {
		case id.MatchString(w):
			ids = append(ids, id.FindString(w))
			taken = false
		case w == "MUST" && taken:
			t.Errorf("a MUST has no id of its own, after %v", ids)
		case w == "MUST":
			taken = true
		}
	}
	if !slices.Equal(ids, drivertest.IDs()) {
		t.Errorf("driver.proto has the ids\n%v\nand the suite\n%v", ids, drivertest.IDs())
	}
}
