package supervise_test

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/supervise"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// An executable that is not the pinned one is not started, and is named with both
// digests; the pinned one is. Other instruments measure on.
func TestP4_PinnedExecutable(t *testing.T) {
	t.Parallel()
	r := newRecord()
	pinned, other := spec("pinned", "good", nil), spec("other", "good", nil)
	text, err := os.ReadFile(pinned.Argv[0])
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(text)
	is := "sha256:" + hex.EncodeToString(sum[:])
	wrong := "sha256:" + strings.Repeat("ab", 32)
	pinned.Pin = is
	other.Pin, other.Fingerprint = wrong, other.Fingerprint+"pin"
	b := bench(t, r, pinned, other)
	r.until(t, "readings of the pinned driver", func() bool { return r.readings("pinned") > 0 })
	r.until(t, "the refusal", func() bool { return r.hasState("other", pb.InstrumentState_INSTRUMENT_STATE_STOPPED) })
	for _, st := range b.Status() {
		if st.GetInstrument() != "other" {
			continue
		}
		for _, want := range []string{other.Argv[0], is, wrong, "reload"} {
			if !strings.Contains(st.GetDetail(), want) {
				t.Errorf("it says %q, want %q in it", st.GetDetail(), want)
			}
		}
		if st.GetProcessId() != 0 {
			t.Errorf("process %d was started", st.GetProcessId())
		}
	}
	if r.readings("other") > 0 {
		t.Error("the refused driver delivered readings")
	}
}

// A driver works in a folder of its own, which nobody else may enter, with its
// socket in it.
func TestDriverHasAFolderOfItsOwn(t *testing.T) {
	t.Parallel()
	r := newRecord()
	dir := t.TempDir()
	// It was there before, open to others.
	if err := os.Mkdir(filepath.Join(dir, "probe"), 0o755); err != nil {
		t.Fatal(err)
	}
	b := supervise.NewBench(supervise.Options{Dir: dir, Recorder: r})
	if _, err := b.Apply(t.Context(), []supervise.Spec{spec("probe", "good", nil)}); err != nil {
		t.Fatal(err)
	}
	defer stop(t, b)
	r.until(t, "readings", func() bool { return r.readings("probe") > 0 })
	cwd, err := os.Readlink(fmt.Sprintf("/proc/%d/cwd", b.Status()[0].GetProcessId()))
	if err != nil || cwd != filepath.Join(dir, "probe") {
		t.Errorf("it works in %s, %v; want %s", cwd, err, filepath.Join(dir, "probe"))
	}
	socket := attachment(dir, "probe")["address"].(string)
	if !strings.HasPrefix(socket, cwd+"/") {
		t.Errorf("its socket is %s, outside of its folder", socket)
	}
	for _, folder := range []string{cwd, filepath.Dir(socket)} {
		if i, err := os.Stat(folder); err != nil || i.Mode().Perm() != 0o700 {
			t.Errorf("%s: %v, %v; want that nobody else enters", folder, i.Mode(), err)
		}
	}
}
