package drivertest_test

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/evenbench/evenbench/plugins/sdk/drivertest"
)

var update = flag.Bool("update", false, "write the table of faults anew")

// faults are what drivers can do wrong, each with the MUST that it breaks.
var faults = []struct{ fault, breaks string }{
	{"announces too early", "EB-D-01"},
	{"dies of standard error", "EB-D-02"},
	{"lives for ever", "EB-D-03"},
	{"prints first", "EB-D-04"},
	{"ignores SIGTERM", "EB-D-05"},
	{"leaves a process", "EB-D-06"},
	{"serves anybody", "EB-D-07"},
	{"listens to the world", "EB-D-08"},
	{"never shakes hands", "EB-D-09"},
	{"is mute", "EB-D-10"},
	{"is mute while open", "EB-D-10"},
	{"knows no nonce", "EB-D-11"},
	{"speaks version 7", "EB-D-12"},
	{"calls bad settings its own fault", "EB-D-20"},
	{"opens only what is there", "EB-D-21"},
	{"opens twice", "EB-D-22"},
	{"says nothing of a loss", "EB-D-23"},
	{"gives up", "EB-D-23"},
	{"passes over garbage", "EB-D-24"},
	{"reads garbage", "EB-D-24"},
	{"names every run alike", "EB-D-25"},
	{"has its own clock", "EB-D-26"},
	{"skips a number", "EB-D-30"},
	{"repeats a number", "EB-D-30"},
	{"resumes one too late", "EB-D-31"},
	{"forgets what was sent", "EB-D-32"},
	{"serves two", "EB-D-33"},
	{"waits for acknowledgements", "EB-D-34"},
	{"sends all at once", "EB-D-35"},
	{"resumes any run", "EB-D-36"},
	{"begins with a log line", "EB-D-37"},
	{"sends columns that disagree", "EB-D-38"},
	{"sends a channel of its own", "EB-D-38"},
	{"ends with its session", "EB-D-39"},
	{"ignores acknowledgements", "EB-D-60"},
	{"tares nothing gladly", "EB-D-40"},
	{"hangs on Close", "EB-D-50"},
	{"closes only what is open", "EB-D-51"},
	{"forgets on Close", "EB-D-52"},
	{"names another last reading", "EB-D-52"},
	{"leaves the Session open", "EB-D-52"},
	{"keeps the device", "EB-D-53"},
}

// onRaw tries the driver with a fault.
func onRaw(t *testing.T, fault string) *drivertest.Report {
	t.Helper()
	l, err := drivertest.NewLines(func(n int) string { return fmt.Sprintf("%d.5\n", n) })
	if err != nil {
		t.Error(err)
		return &drivertest.Report{}
	}
	defer l.Close()
	return drivertest.Run(t.Context(), drivertest.Command(os.Args[0], "raw", fault), drivertest.Options{
		Device: l.Device(),
		Slack:  3,
		Fill:   60_000,
	})
}

// TestFaults: of a driver that breaks one MUST the suite says that one does not hold,
// and no other.
func TestFaults(t *testing.T) {
	t.Parallel()
	began := time.Now()
	reports := make([]*drivertest.Report, len(faults))
	var trials errgroup.Group
	// Most of the time they wait for what does not come.
	trials.SetLimit(12)
	for i := range faults {
		trials.Go(func() error {
			reports[i] = onRaw(t, faults[i].fault)
			return nil
		})
	}
	_ = trials.Wait()
	t.Logf("%d faults in %v", len(faults), time.Since(began).Round(time.Second))
	table := []byte(faultsHead)
	for i, f := range faults {
		var broken []string
		for _, x := range reports[i].Results {
			if x.Outcome == drivertest.DoesNotHold {
				broken = append(broken, x.ID)
			}
			if x.Outcome == drivertest.DoesNotHold || x.ID == f.breaks {
				t.Logf("%s: %s %s: %s", f.fault, x.ID, x.Outcome, x.Seen)
			}
		}
		if len(broken) != 1 || broken[0] != f.breaks {
			t.Errorf("a driver that %s breaks %s, and the suite says %v", f.fault, f.breaks, broken)
		}
		table = fmt.Appendf(table, "| %s | %s |\n", f.fault, strings.Join(broken, ", "))
	}
	if *update {
		if err := os.WriteFile("FAULTS.md", table, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if want, err := os.ReadFile("FAULTS.md"); err != nil || !bytes.Equal(table, want) {
		t.Errorf("FAULTS.md (%v) is not what was seen; if that is meant, write it anew with: go test ./plugins/sdk/drivertest -run Faults -update\n%s", err, table)
	}
}

const faultsHead = `# Broken drivers, and what the suite says of each

Each is right but for one fault, and each is found by the one rule that it breaks.
Written by ` + "`go test ./plugins/sdk/drivertest -run Faults -update`" + `, and held by the same test
without the flag.

| a driver that … | does not hold |
| --- | --- |
`

// TestRight: without a fault, and as a process that may be filled, every MUST is
// tried but that of large messages, and holds.
func TestRight(t *testing.T) {
	t.Parallel()
	r := onRaw(t, "")
	for _, x := range r.Results {
		if x.Outcome != drivertest.Holds && x.ID != "EB-D-35" {
			t.Errorf("%s %s: %s", x.ID, x.Outcome, x.Seen)
		}
	}
}
