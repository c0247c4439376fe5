package roast

import (
	"reflect"
	"slices"
	"strings"
	"testing"
)

// Whoever gives one of these types a field has Imprint code it, and adds it here. What a
// tracker found in its last call is all that is left out.
func TestImprintKnowsEveryField(t *testing.T) {
	for _, kind := range []struct {
		of    any
		known string
	}{
		{Tracker{}, "sieves bean air rate phase now since fall marks level low peak lately restless events"},
		{sieve{}, "last slot n sum values recent held"},
		{ring{}, "points next n"},
		{RateOfRise{}, "window points first n"},
		{fall{}, "open base level onset first refined sharp low air airSeen airDip rest restMost hits warming"},
		{line{}, "at cel slope spread n"},
		{point{}, "at cel"},
		{Event{}, "What At Found Cel Method Reason"},
		{Trace{}, "At Cel Standard"},
	} {
		var have []string
		is := reflect.TypeOf(kind.of)
		for i := range is.NumField() {
			have = append(have, is.Field(i).Name)
		}
		known := strings.Fields(kind.known)
		slices.Sort(have)
		slices.Sort(known)
		if !slices.Equal(have, known) {
			t.Errorf("%v has the fields %v, and Imprint knows of %v", is, have, known)
		}
	}
}
