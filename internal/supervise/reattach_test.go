package supervise_test

import (
	"bytes"
	"encoding/json"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/supervise"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// size returns how much the killed hub to be has written.
func size(dir string) int64 {
	i, err := os.Stat(filepath.Join(dir, "entries"))
	if err != nil {
		return 0
	}
	return i.Size()
}

// attachment reads attach.json; nil if there is none.
func attachment(dir, instrument string) map[string]any {
	b, err := os.ReadFile(filepath.Join(dir, instrument, "attach.json"))
	if err != nil {
		return nil
	}
	m := map[string]any{}
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	if d.Decode(&m) != nil {
		return nil
	}
	return m
}

func pidOf(m map[string]any) int {
	pid, _ := strconv.Atoi(string(m["pid"].(json.Number)))
	return pid
}

// alive reports whether a process runs; a zombie does not.
func alive(pid int) bool {
	stat, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	if err != nil {
		return false
	}
	rest := stat[bytes.LastIndexByte(stat, ')')+1:]
	return !strings.HasPrefix(strings.TrimSpace(string(rest)), "Z")
}

// TestP3_KilledHub: the drivers of a hub that was killed measure on, and the next
// hub goes on with the same runs, without a gap.
func TestP3_KilledHub(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	kill := startHub(t, dir)
	eventually(t, "readings on disk", func() bool { return size(dir) > 20_000 })
	kill()
	pid := pidOf(attachment(filepath.Join(dir, "drivers"), "probe"))
	if !alive(pid) {
		t.Fatalf("driver %d died with its hub", pid)
	}
	r := load(dir)
	before := r.count("probe")
	b := supervise.NewBench(supervise.Options{Dir: filepath.Join(dir, "drivers"), Recorder: r})
	if _, err := b.Apply(t.Context(), hubSpecs()); err != nil {
		t.Fatal(err)
	}
	r.until(t, "more readings", func() bool { return r.readings("probe") > before+200 && r.readings("scale") > 200 })
	stop(t, b)
	r.complete(t)
	for _, name := range []string{"probe", "scale"} {
		if runs := r.of(name); len(runs) != 1 || len(runs[0].gaps) > 0 {
			t.Errorf("%s has %d runs, gaps %v", name, len(runs), runs[0].gaps)
		}
	}
	if alive(pid) {
		t.Errorf("driver %d outlived its run", pid)
	}
}

// TestP1_RandomKills kills hubs and drivers at random moments. However they end,
// the record has each number of each run once.
func TestP1_RandomKills(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	drivers := filepath.Join(dir, "drivers")
	for range 6 {
		kill := startHub(t, dir)
		grown := size(dir) + 2_000 + rand.Int64N(30_000)
		eventually(t, "readings on disk", func() bool { return size(dir) > grown })
		if a := attachment(drivers, "probe"); a != nil && rand.IntN(2) == 0 {
			_ = syscall.Kill(pidOf(a), syscall.SIGKILL)
			time.Sleep(rand.N(100 * time.Millisecond))
		}
		kill()
		load(dir)
	}
	r := load(dir)
	b := supervise.NewBench(supervise.Options{Dir: drivers, Recorder: r})
	if _, err := b.Apply(t.Context(), hubSpecs()); err != nil {
		t.Fatal(err)
	}
	before := r.count("probe")
	r.until(t, "more readings", func() bool { return r.readings("probe") > before+50 })
	stop(t, b)
	r.complete(t)
	if runs := r.of("scale"); len(runs) != 1 || len(runs[0].gaps) > 0 {
		t.Errorf("the scale's driver was never killed, but it has %d runs, gaps %v", len(runs), runs[0].gaps)
	}
}

// TestNoOrphan: a driver whose hub does not come back ends after its hold time.
func TestNoOrphan(t *testing.T) {
	t.Parallel()
	r, dir := newRecord(), t.TempDir()
	b := supervise.NewBench(supervise.Options{Dir: dir, Recorder: r})
	if _, err := b.Apply(t.Context(), []supervise.Spec{spec("probe", "short-hold", nil)}); err != nil {
		t.Fatal(err)
	}
	r.until(t, "readings", func() bool { return r.readings("probe") > 10 })
	b.Detach()
	pid := pidOf(attachment(dir, "probe"))
	eventually(t, "the end of the driver", func() bool { return !alive(pid) })
}

// TestNotReattached: a driver that is not what it was is not gone on with, and
// only a process that is provably the driver is ended.
func TestNotReattached(t *testing.T) {
	for _, c := range []struct {
		name string
		// change changes what the next hub finds; it returns a process that must
		// live on, 0 for none.
		change func(t *testing.T, dir string, s *supervise.Spec) int
		ends   bool
	}{
		{"settings", func(_ *testing.T, _ string, s *supervise.Spec) int { s.Fingerprint = "other"; return 0 }, true},
		{"executable", func(t *testing.T, _ string, s *supervise.Spec) int { replace(t, s.Argv[0]); return 0 }, true},
		{"nonce", func(t *testing.T, dir string, _ *supervise.Spec) int {
			edit(t, dir, "nonce", "not this one")
			return 0
		}, true},
		{"start time", func(t *testing.T, dir string, _ *supervise.Spec) int { edit(t, dir, "started", 1); return 0 }, false},
		{"pid of another", func(t *testing.T, dir string, _ *supervise.Spec) int {
			pid := innocent(t)
			edit(t, dir, "pid", pid)
			return pid
		}, false},
		{"boot", func(t *testing.T, dir string, _ *supervise.Spec) int { edit(t, dir, "boot", "another"); return 0 }, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r, dir := newRecord(), t.TempDir()
			s := spec("probe", "good", nil)
			s.Argv[0] = copied(t, s.Argv[0])
			b := supervise.NewBench(supervise.Options{Dir: dir, Recorder: r})
			if _, err := b.Apply(t.Context(), []supervise.Spec{s}); err != nil {
				t.Fatal(err)
			}
			r.until(t, "readings", func() bool { return r.readings("probe") > 10 })
			b.Detach()
			pid := pidOf(attachment(dir, "probe"))
			t.Cleanup(func() { _ = syscall.Kill(pid, syscall.SIGKILL) })
			other := c.change(t, dir, &s)
			bench := supervise.NewBench(supervise.Options{Dir: dir, Recorder: r})
			if _, err := bench.Apply(t.Context(), []supervise.Spec{s}); err != nil {
				t.Fatal(err)
			}
			r.until(t, "a second run", func() bool { return len(r.of("probe")) == 2 && r.of("probe")[1].readings > 0 })
			stop(t, bench)
			r.complete(t)
			if !r.hasGap("probe", pb.GapReason_GAP_REASON_DRIVER_LOST) {
				t.Error("the first run ended without a gap")
			}
			if alive(pid) == c.ends {
				t.Errorf("the old driver is alive: %t", !c.ends)
			}
			if other != 0 && !alive(other) {
				t.Error("another process was ended")
			}
		})
	}
}

// innocent is a process that has nothing to do with drivers.
func innocent(t *testing.T) int {
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(exe, "driver", "garbage")
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	return cmd.Process.Pid
}

func copied(t *testing.T, path string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "driver")
	in, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = in.Close() }()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_WRONLY, 0o700)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(out, in); err != nil {
		t.Fatal(err)
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
	return to
}

// replace puts another executable, which does the same, in the place of path.
func replace(t *testing.T, path string) {
	t.Helper()
	next := copied(t, path)
	f, err := os.OpenFile(next, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	_, _ = f.WriteString("changed")
	_ = f.Close()
	if err := os.Rename(next, path); err != nil {
		t.Fatal(err)
	}
}

func edit(t *testing.T, dir, field string, value any) {
	t.Helper()
	m := attachment(dir, "probe")
	m[field] = value
	b, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "probe", "attach.json"), b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// TestP3_KilledWhileOpening: a hub that ended between starting a driver and naming its
// run leaves a driver that holds the device. The next hub ends it, rather than wait
// for its lease.
func TestP3_KilledWhileOpening(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	kill := startHub(t, dir)
	eventually(t, "readings on disk", func() bool { return size(dir) > 20_000 })
	kill()
	drivers := filepath.Join(dir, "drivers")
	a := attachment(drivers, "probe")
	pid := pidOf(a)
	a["run"] = map[string]any{}
	text, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(drivers, "probe", "attach.json"), text, 0o600); err != nil {
		t.Fatal(err)
	}
	r := newRecord()
	b := supervise.NewBench(supervise.Options{Dir: drivers, Recorder: r})
	if _, err := b.Apply(t.Context(), []supervise.Spec{spec("probe", "good", nil)}); err != nil {
		t.Fatal(err)
	}
	r.until(t, "readings of a new run", func() bool { return r.readings("probe") > 20 })
	if alive(pid) {
		t.Errorf("driver %d, whose run nobody knows, lives beside the new one", pid)
	}
	if scale := attachment(drivers, "scale"); scale != nil {
		if p, err := os.FindProcess(pidOf(scale)); err == nil {
			_ = p.Kill()
		}
	}
	stop(t, b)
	r.complete(t)
}
