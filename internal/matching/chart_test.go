package matching_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/matching"
)

// The roasts of one working day are one point, also where the day goes past midnight.
func TestDaysAreByTheNight(t *testing.T) {
	at := func(day, hour int) time.Time { return time.Date(2026, 3, day, hour, 0, 0, 0, time.UTC) }
	days := matching.Days([]matching.Reference{
		{"R-3", at(3, 1), 14.4}, {"R-1", at(2, 20), 14}, {"R-2", at(2, 23), 14.2}, {"R-4", at(3, 20), 15},
	})
	if len(days) != 2 || !slices.Equal(days[0].Roasts, []string{"R-1", "R-2", "R-3"}) || days[0].Mean < 14.199 || days[0].Mean > 14.201 || !days[0].At.Equal(at(2, 20)) {
		t.Errorf("%+v", days)
	}
}

func TestChartBeginsAfterTheDaysItIsFoundedOn(t *testing.T) {
	var list []matching.Reference
	for i := range 13 {
		value := 14 + 0.1*float64(i%3)
		if i >= 11 {
			value = 16
		}
		list = append(list, matching.Reference{Roast: fmt.Sprint("R-", i), At: time.Date(2026, 3, i, 8, 0, 0, 0, time.UTC), Value: value})
		c, err := matching.Draw("drum-1", list)
		if i < 10 {
			if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("%d days", i+1)) {
				t.Errorf("day %d: %v", i+1, err)
			}
			continue
		}
		if err != nil || len(c.Points) != i-9 || c.Alarm != (i >= 11) || len(c.Days) != i+1 {
			t.Errorf("day %d: %+v, %v", i+1, c, err)
		}
	}
}

// A block has one lot, and every drum is charged once in it.
func TestBlocksHaveOneLot(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lots, of, drums := rapid.IntRange(1, 3).Draw(t, "lots"), rapid.IntRange(1, 4).Draw(t, "portions"), rapid.IntRange(2, 4).Draw(t, "drums")
		blocks := lots * rapid.IntRange(1, 4).Draw(t, "rounds")
		if blocks < 2 {
			blocks = 2
		}
		var portions []matching.Portion
		for i := range lots * of {
			portions = append(portions, matching.Portion{Sample: fmt.Sprintf("P-%d", i), Lot: fmt.Sprintf("lot %d", i%lots)})
		}
		names := []string{"a", "b", "c", "d"}[:drums]
		charges, err := matching.Charges(portions, names, blocks, rapid.Uint64().Draw(t, "seed"))
		if err != nil || len(charges) != drums*blocks {
			t.Fatal(len(charges), err)
		}
		lotOf, seen := map[uint32]string{}, map[string]bool{}
		for _, c := range charges {
			key := fmt.Sprint(c.GetBlock(), c.GetDrum())
			if lot, ok := lotOf[c.GetBlock()]; ok && lot != c.GetLot() || seen[key] {
				t.Fatalf("block %d has %s and %s, or %s twice", c.GetBlock(), lot, c.GetLot(), c.GetDrum())
			}
			lotOf[c.GetBlock()], seen[key] = c.GetLot(), true
			if !slices.Contains(portions, matching.Portion{Sample: c.GetSample(), Lot: c.GetLot()}) {
				t.Fatalf("%s is no portion of %s", c.GetSample(), c.GetLot())
			}
		}
	})
	if _, err := matching.Charges(nil, []string{"a", "b"}, 2, 1); err == nil {
		t.Error("a study of no sample was planned")
	}
}
