package supervise

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A hub that was killed cannot remove the short directory of a driver's socket; the
// next one does.
func TestShortDirectoryOfAKilledHubIsRemoved(t *testing.T) {
	root := filepath.Join(t.TempDir(), strings.Repeat("long", longestSocket/4))
	clear := func() string {
		p, err := newPlace(root, "scale")
		if err != nil {
			t.Fatal(err)
		}
		if err := p.clear(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(p.leave)
		if p.sockets == p.dir {
			t.Fatalf("the socket goes to %s, whose path is too long for one", p.dir)
		}
		return p.sockets
	}
	killed := clear()
	if next := clear(); next == killed {
		t.Errorf("two drivers share %s", next)
	}
	if _, err := os.Stat(killed); err == nil {
		t.Errorf("%s is still there", killed)
	}
	// A link that leads elsewhere is not followed.
	p, err := newPlace(root, "scale")
	if err != nil {
		t.Fatal(err)
	}
	p.leave()
	other := t.TempDir()
	if err := os.Symlink(other, p.short()); err != nil {
		t.Fatal(err)
	}
	p.leave()
	if _, err := os.Stat(other); err != nil {
		t.Errorf("%s, which is none of a driver's, is gone", other)
	}
}
