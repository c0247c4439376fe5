package supervise_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/internal/supervise"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestApplyRestartsOnlyWhatChanged(t *testing.T) {
	t.Parallel()
	r := newRecord()
	b := bench(t, r, spec("a", "good", nil), spec("b", "good", nil), spec("c", "good", nil), spec("refused", "contract", nil))
	r.until(t, "readings of all", func() bool { return r.readings("a") > 0 && r.readings("b") > 0 && r.readings("c") > 0 })
	r.until(t, "the refusal", func() bool { return r.hasState("refused", pb.InstrumentState_INSTRUMENT_STATE_STOPPED) })

	changed := spec("b", "good", nil)
	changed.Fingerprint = "other"
	got, err := b.Apply(t.Context(), []supervise.Spec{spec("a", "good", nil), changed, spec("d", "good", nil), spec("refused", "contract", nil)})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(got.Started, []string{"d"}) || !slices.Equal(got.Stopped, []string{"c"}) ||
		!slices.Equal(got.Restarted, []string{"b", "refused"}) || got.Unchanged != 1 {
		t.Errorf("changed %+v", got)
	}
	r.until(t, "readings of the changed ones", func() bool {
		return len(r.of("b")) == 2 && r.of("b")[1].readings > 0 && r.readings("d") > 0
	})
	stop(t, b)
	r.complete(t)
	if n := len(r.of("a")); n != 1 {
		t.Errorf("the unchanged instrument has %d runs", n)
	}
	if _, err := b.Apply(t.Context(), nil); err == nil {
		t.Error("a stopped bench takes instruments")
	}
}

func TestApplyRefuses(t *testing.T) {
	b := supervise.NewBench(supervise.Options{Dir: t.TempDir(), Recorder: newRecord()})
	relative := spec("a", "good", nil)
	relative.Argv[0] = "driver"
	for _, specs := range [][]supervise.Spec{
		{spec("a", "good", nil), spec("a", "good", nil)},
		{spec("../a", "good", nil)},
		{spec("", "good", nil)},
		{spec("..", "good", nil)},
		{relative},
	} {
		if _, err := b.Apply(t.Context(), specs); err == nil {
			t.Errorf("took %q", specs[0].Instrument)
		}
	}
}

func TestActAndStatus(t *testing.T) {
	t.Parallel()
	r := newRecord()
	b := bench(t, r, spec("scale", "good", nil), spec("bad", "garbage", nil))
	r.until(t, "readings", func() bool { return r.readings("scale") > 10 })
	tare := &pb.ActRequest{Action: pb.Action_ACTION_TARE}
	if answer, err := b.Act(t.Context(), "scale", tare); err != nil || answer.Answer != "tared" {
		t.Errorf("tare: %v, %v", answer, err)
	}
	_, err := b.Act(t.Context(), "scale", &pb.ActRequest{Action: pb.Action_ACTION_ZERO})
	if status.Code(err) != codes.Unimplemented {
		t.Errorf("zero: %v", err)
	}
	if _, err := b.Act(t.Context(), "bad", tare); !errors.Is(err, supervise.ErrAway) {
		t.Errorf("act on a driver that is away: %v", err)
	}
	if _, err := b.Act(t.Context(), "nobody", tare); !errors.Is(err, supervise.ErrUnknown) {
		t.Errorf("act on nobody: %v", err)
	}
	s := b.Status()
	if len(s) != 2 || s[0].Instrument != "scale" || s[0].State != pb.InstrumentState_INSTRUMENT_STATE_MEASURING ||
		s[0].Driver != "test" || s[0].Run == "" || s[0].ProcessId == 0 || s[0].LastReadingAt == nil {
		t.Errorf("status %v", s)
	}
}

// TestLeftInstrument: the driver and the run of an instrument that is not in the
// lab file any more are ended by the next hub.
func TestLeftInstrument(t *testing.T) {
	t.Parallel()
	r, dir := newRecord(), t.TempDir()
	b := supervise.NewBench(supervise.Options{Dir: dir, Recorder: r})
	if _, err := b.Apply(t.Context(), []supervise.Spec{spec("gone", "good", nil)}); err != nil {
		t.Fatal(err)
	}
	r.until(t, "readings", func() bool { return r.readings("gone") > 10 })
	b.Detach()
	pid := pidOf(attachment(dir, "gone"))
	other := supervise.NewBench(supervise.Options{Dir: dir, Recorder: r})
	if _, err := other.Apply(t.Context(), []supervise.Spec{spec("new", "good", nil)}); err != nil {
		t.Fatal(err)
	}
	stop(t, other)
	r.complete(t)
	eventually(t, "the end of the driver", func() bool { return !alive(pid) })
	if attachment(dir, "gone") != nil {
		t.Error("the next hub would look for the driver again")
	}
}

// TestLongPath: a data directory whose sockets would have too long a path is
// served from a short one, which goes with the driver.
func TestLongPath(t *testing.T) {
	t.Parallel()
	r := newRecord()
	dir := filepath.Join(t.TempDir(), strings.Repeat("deep/", 30))
	b := supervise.NewBench(supervise.Options{Dir: dir, Recorder: r})
	if _, err := b.Apply(context.Background(), []supervise.Spec{spec("probe", "good", nil)}); err != nil {
		t.Fatal(err)
	}
	r.until(t, "readings", func() bool { return r.readings("probe") > 10 })
	socket := attachment(dir, "probe")["address"].(string)
	short := filepath.Dir(filepath.Dir(socket))
	if i, err := os.Stat(short); err != nil || i.Mode().Perm() != 0o700 {
		t.Errorf("%s: %v, %v", short, i.Mode(), err)
	}
	stop(t, b)
	r.complete(t)
	if _, err := os.Stat(short); err == nil {
		t.Errorf("%s is still there", short)
	}
}

// TestDriverSeesNothingOfTheHub: a driver's environment is its own.
func TestDriverSeesNothingOfTheHub(t *testing.T) {
	t.Setenv("LAB_PASSWORD", "secret")
	r := newRecord()
	b := bench(t, r, spec("probe", "good", nil))
	r.until(t, "readings", func() bool { return r.readings("probe") > 0 })
	environ, err := os.ReadFile(fmt.Sprintf("/proc/%d/environ", b.Status()[0].ProcessId))
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(environ), "secret") || !strings.Contains(string(environ), "EVENBENCH_NONCE=") {
		t.Errorf("the driver's environment is %q", environ)
	}
}
