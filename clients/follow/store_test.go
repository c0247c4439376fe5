package follow_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/clients/follow"
	"github.com/evenbench/evenbench/clients/internal/fakehub"
)

// Three lives of a program, each but the last ended in the middle of an entry,
// consume the record once.
func TestFileKeepsThePosition(t *testing.T) {
	path := filepath.Join(t.TempDir(), "position.json")
	server := fakehub.Start(t, hubWith(30))
	conn := dial(t, server.Address)
	var cursors []uint64
	for _, leaveAt := range []uint64{11, 22, 0} {
		f := follow.New(conn, follow.Options{Store: follow.NewFile(path), StopAtEnd: true})
		for e, err := range f.Entries(context.Background()) {
			if err != nil {
				t.Fatal(err)
			}
			if e.GetCursor() == leaveAt {
				break
			}
			cursors = append(cursors, e.GetCursor())
		}
	}
	wantRange(t, cursors, 1, 30)
	if files, err := os.ReadDir(filepath.Dir(path)); err != nil || len(files) != 1 {
		t.Errorf("folder holds %v (%v), want the file alone", files, err)
	}
}

func TestFileRefusesWhatItDidNotWrite(t *testing.T) {
	for _, text := range []string{"", "{}", "17", `{"record_id":"one","cursor":-1}`} {
		path := filepath.Join(t.TempDir(), "position.json")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, _, err := follow.NewFile(path).Load(context.Background()); err == nil || !strings.Contains(err.Error(), path) {
			t.Errorf("file with %q: got error %v, want one that names the file", text, err)
		}
	}
}

// A program that is killed has lost little: the position is saved on the way.
func TestPositionIsSavedOnTheWay(t *testing.T) {
	h := hubWith(30)
	h.MessageSize = 10
	server := fakehub.Start(t, h)
	path := filepath.Join(t.TempDir(), "position.json")
	f := follow.New(dial(t, server.Address), follow.Options{Store: follow.NewFile(path), SaveEvery: 1, StopAtEnd: true})
	for e, err := range f.Entries(context.Background()) {
		if err != nil {
			t.Fatal(err)
		}
		p, _, err := follow.NewFile(path).Load(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if want := (e.GetCursor() - 1) / 10 * 10; p.Cursor != want {
			t.Fatalf("at entry %d the file says %d, want %d", e.GetCursor(), p.Cursor, want)
		}
	}
}

type fullDisk struct{}

var errFull = errors.New("disk full")

func (fullDisk) Load(context.Context) (p follow.Position, ok bool, err error) { return }
func (fullDisk) Save(context.Context, follow.Position) error                  { return errFull }

func TestStoreThatFailsEndsTheIteration(t *testing.T) {
	server := fakehub.Start(t, hubWith(3))
	f := follow.New(dial(t, server.Address), follow.Options{Store: fullDisk{}, StopAtEnd: true})
	if _, err := collect(context.Background(), f, -1); !errors.Is(err, errFull) {
		t.Errorf("got %v, want the error of the store", err)
	}
}
