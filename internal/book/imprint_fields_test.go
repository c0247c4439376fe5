package book

import (
	"reflect"
	"slices"
	"strings"
	"testing"
)

// What a fold knows is written down, follows from what is, or lasts no longer than an
// entry. Whoever gives one of these types a field decides which, and adds it here.
func TestImprintKnowsEveryField(t *testing.T) {
	for _, kind := range []struct {
		of                any
		written, followed string
	}{
		{Skim{}, "Book waits step", "runs key"},
		{Book{}, "last opened lab samples order stations runs current devices calibrations checks roasts studies drifts labs requests sessions changes codes roastsNamed now cause", "charged stale unjudged drafts skims unsure"},
		{change{}, "cursor sample", ""},
		{study{}, "planned charges ended reason", ""},
		{charge{}, "queued left roast", ""},
		{Device{}, "Own Answers Run", ""},
		{sample{}, "record roasts on", ""},
		{station{}, "pb queue stays roast unused", ""},
		{stay{}, "sample from to measured placement", ""},
		{run{}, "pb station channels accounted base offset index measured drum charged takenUp identity about holes scans scanned plain probes room closed", ""},
		{channel{}, "pb role part load moved unloaded air", ""},
		{batchRef{}, "number cursor at", ""},
		{measured{}, "pb at property sample lies", ""},
		{oneRoast{}, "pb sample station first run parts from to begin charge marks about judged found trace recalibrated", "lent"},
		{calibration{}, "entry device", "curve"},
		{checked{}, "last settled failed doubts", ""},
		{doubt{}, "pb until", ""},
		{drum{}, "tracker trace roast found ended now latest probe pending", ""},
		{latest{}, "at cel", ""},
		{point{}, "at cel number run", ""},
		{pending{}, "items bytes ended anew lead", ""},
		{happened{}, "what from to run at roasting roast cel person mark", ""},
	} {
		var have []string
		is := reflect.TypeOf(kind.of)
		for i := range is.NumField() {
			have = append(have, is.Field(i).Name)
		}
		known := append(strings.Fields(kind.written), strings.Fields(kind.followed)...)
		slices.Sort(have)
		slices.Sort(known)
		if !slices.Equal(have, known) {
			t.Errorf("%v has the fields %v, and Imprint knows of %v", is, have, known)
		}
	}
}
