package hub

import (
	"path/filepath"
	"testing"

	"go.uber.org/zap"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/ledger"
)

// A hub that starts comes to the same sample records, the same counts and the same roasts
// whether it could use the shortcuts of its fold or not.
func TestP6_ShortcutsOfAStartChangeNothing(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "ledger")
	written := writeSeason(t, dir, 12, 3)
	start := func(unsure error) (string, *tally) {
		f := newFold()
		f.unsure = unsure
		l, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, HubVersion: "season", Visit: f.visit})
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		b, owed, err := f.finish(t.Context(), l, zap.NewNop())
		if err != nil || len(owed) > 0 || b.Last() != l.Last() || b.Samples() != 12 {
			t.Fatalf("folded %d samples up to entry %d of %d, owing %v: %v", b.Samples(), b.Last(), l.Last(), owed, err)
		}
		return string(recordsOf(t, b)), f.tally
	}
	short, counts := start(nil)
	long, _ := start(book.ErrUnsure)
	if short != long {
		t.Errorf("with shortcuts the records are\n%s\nand without\n%s", short, long)
	}
	if counts.readings() != written {
		t.Errorf("%d readings are counted, %d were written", counts.readings(), written)
	}
}
