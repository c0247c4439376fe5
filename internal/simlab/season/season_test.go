package season_test

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/simlab/season"
)

// By roasts that are alike the ranking is nearer to the truth than by whatever roasts the
// lots had, and less often wrong where it tells lots apart; the study of the drums finds
// how they differ. The table that is kept is of this code.
func TestRankingOfAlikeRoastsIsNearerToTheTruth(t *testing.T) {
	o, err := season.Play(1)
	if err != nil {
		t.Fatal(err)
	}
	wrongly := func(r season.Ranking) float64 { return float64(r.Wrong) / float64(max(r.Told, 1)) }
	if o.Alike.Tau() <= o.Whatever.Tau() || wrongly(o.Alike) >= wrongly(o.Whatever) || o.Alike.Told == 0 {
		t.Errorf("tau is %.3f by alike roasts and %.3f by any; told wrongly are %.3f and %.3f", o.Alike.Tau(), o.Whatever.Tau(), wrongly(o.Alike), wrongly(o.Whatever))
	}
	if o.Again == 0 || 2*o.Alone > o.Lots || o.Roasts != o.Lots+o.Again {
		t.Errorf("%+v", o)
	}
	held := 0
	for _, d := range o.Drums {
		if d.Low <= d.True && d.True <= d.High {
			held++
		}
	}
	if len(o.Drums) != 4 || held < 3 {
		t.Errorf("the intervals hold the true offsets of %d drums: %+v", held, o.Drums)
	}
	table, err := os.ReadFile("../SEASON.md")
	if err != nil {
		t.Fatal(err)
	}
	if row := fmt.Sprintf("| 1 | %d | %d | %d | %d | %.2f | %.2f | %.2f |", o.Roasts, o.Again, o.Lots, o.Alone, o.Whatever.Tau(), o.Same.Tau(), o.Alike.Tau()); !strings.Contains(string(table), row) {
		t.Errorf("SEASON.md has not %s: write it anew, go run ./server demo --season > internal/simlab/SEASON.md", row)
	}
}
