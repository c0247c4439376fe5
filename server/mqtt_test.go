package main_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/peers"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// row awaits a reading of a channel that has a device time.
func (b *bench) row(instrument, channel, deviceTime string) (found pb.Row) {
	b.t.Helper()
	b.await(channel+" of "+instrument, func(e *pb.Entry) bool {
		if e.GetReadings().GetInstrument() != instrument {
			return false
		}
		for r := range e.GetReadings().Rows() {
			times := r.Series.GetDeviceTime()
			if r.Series.GetChannel() == channel && r.Index < len(times) && times[r.Index] == deviceTime {
				found = r
				return true
			}
		}
		return false
	})
	return found
}

// P8: what a broker has kept is recorded as old, with what the device said beside it,
// and a live value as good; by the real hub, whose driver has the password from the
// environment. P4: what cannot be read is counted, and nothing falls.
func TestP8_ANodeOnABroker(t *testing.T) {
	const password = "brass-kettle"
	dir := t.TempDir()
	users := filepath.Join(dir, "users")
	if err := os.WriteFile(users, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if said := run(t, peers.Command(t, "mosquitto_passwd"), "-b", users, "hub", password); said.code != 0 {
		t.Fatal(said)
	}
	broker := peers.Mosquitto(t, "allow_anonymous false\npassword_file "+users, "-u", "hub", "-P", password)
	say := func(at, temperature string, how ...string) {
		t.Helper()
		payload := fmt.Sprintf(`{"at": %q, "serial": "CN-0417", "air": {"temperature": %s, "humidity": 48.2}, "battery": "OK"}`, at, temperature)
		broker.Publish(append(how, "-t", "lab/air-1/air", "-m", payload)...)
	}
	say("yesterday", "30", "-r")
	t.Setenv("BROKER_PASSWORD", password)
	b := serve(t, fmt.Sprintf(
		"  - {name: air, station: reception, sheet: climate-node, link: {mqtt: %q, under: lab/air-1, user: hub, password_env: BROKER_PASSWORD}}\n",
		broker.Address))

	old := b.row("air", "temperature", "yesterday")
	if q, why := old.Quality(); q != pb.Quality_QUALITY_UNCERTAIN || !slices.Contains(why, pb.QualityReason_QUALITY_REASON_STALE) || old.DeviceStatus() != "stale: OK" {
		t.Errorf("what was kept is %v for %v, status %q", q, why, old.DeviceStatus())
	}
	broker.Publish("-t", "lab/air-1/air", "-m", `{"air":`)
	say("now", "21.4")
	live := b.row("air", "temperature", "now")
	if q, why := live.Quality(); q != pb.Quality_QUALITY_GOOD || live.Value != 21.4 {
		t.Errorf("what is live is %v, %v for %v", live.Value, q, why)
	}
	broker.Publish("-t", "lab/air-1/state", "-r", "-m", "offline")
	b.await("the node's end", func(e *pb.Entry) bool {
		return e.GetInstrumentChanged().GetInstrument() == "air" && strings.Contains(e.GetInstrumentChanged().GetDetail(), `says "offline"`)
	})
	if s := b.status("air"); s.GetDeviceIdentity() != "CN-0417" || s.GetUnreadable() == 0 {
		t.Errorf("status: %v", s)
	}
	if code := b.end(); code != 0 {
		t.Errorf("the hub ended with %d", code)
	}
	wants(t, b.audit().out, "complete")
	wants(t, b.log.String(), "the payload is not JSON")
	if strings.Contains(b.log.String(), password) {
		t.Error("the password is in the hub's log")
	}
	nowhere(t, b.dir, password)
}

// nowhere checks that no file of a folder has a secret in it.
func nowhere(t *testing.T, dir, secret string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, e os.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() {
			return err
		}
		text, err := os.ReadFile(path)
		if err == nil && strings.Contains(string(text), secret) {
			t.Errorf("the secret is in %s", path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}
