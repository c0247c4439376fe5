package devices_test

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/access/keys"
	"github.com/evenbench/evenbench/internal/peers"
	"github.com/evenbench/evenbench/internal/recorded"
	"github.com/evenbench/evenbench/plugins/mqtt"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheets"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// password is what must not be seen anywhere.
const password = "brass-kettle"

// users lets one user in, by a file that mosquitto_passwd writes.
func users(t *testing.T) (settings, file string) {
	t.Helper()
	dir := t.TempDir()
	known := filepath.Join(dir, "users")
	write(t, known, "")
	if said, err := exec.Command(peers.Command(t, "mosquitto_passwd"), "-b", known, "hub", password).CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_passwd: %v\n%s", err, said)
	}
	file = filepath.Join(dir, "password")
	write(t, file, password+"\n")
	return "allow_anonymous false\npassword_file " + known, file
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func shipped(t *testing.T, name string) map[string]any {
	t.Helper()
	data, ok := sheets.Find(name)
	if !ok {
		t.Fatalf("there is no sheet %s", name)
	}
	parsed, problems := sheet.Parse(name, data, nil)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return parsed.Raw
}

func air(at string, temperature any) string {
	return fmt.Sprintf(`{"at": %q, "serial": "CN-0417", "air": {"temperature": %v, "humidity": 48.2}, "battery": "OK"}`, at, temperature)
}

// silent checks that what was said does not have the password in it.
func silent(t *testing.T, s recorded.Said) {
	t.Helper()
	if all := fmt.Sprintf("%+v", s); strings.Contains(all, password) {
		t.Errorf("the password is in what the driver says: %s", all)
	}
}

// A node publishes to mosquitto by mosquitto_pub: kept and live, whole and spoiled,
// through the end of the node and of the broker.
func TestNodeAgainstMosquitto(t *testing.T) {
	settings, secret := users(t)
	b := peers.Mosquitto(t, settings, "-u", "hub", "-P", password)
	b.Publish("-t", "lab/air-1/air", "-r", "-m", air("yesterday", 30))
	b.Publish("-t", "lab/air-1/state", "-r", "-m", "offline")
	b.Publish("-t", "lab/air-2/air", "-r", "-m", air("elsewhere", 99))
	_, out := run(t, mqtt.Driver(), sdk.Settings{Instrument: "air-1", Sheet: shipped(t, "climate-node"), Link: map[string]any{
		"mqtt": b.Address, "under": "lab/air-1", "user": "hub", "password_file": secret,
	}})

	s := out.Wait(t, "what the broker has kept", func(s recorded.Said) bool { return len(s.Readings) >= 2 })
	if r := s.Channel("temperature")[0]; r.Value != 30 || r.Status != "stale: OK" || r.DeviceTime != "yesterday" {
		t.Errorf("kept: %+v", r)
	}
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, `lab/air-1/state says "offline"`)
	died := b.Will("lab/air-1/state", "offline")
	b.Publish("-t", "lab/air-1/state", "-r", "-m", "online")
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_CONNECTED, `lab/air-1/state says "online"`)

	b.Publish("-t", "lab/air-1/air", "-r", "-m", air("2026-11-26T09:30:00Z", "21.40"))
	b.Publish("-t", "lab/air-1/pressure", "-m", "954.6 hPa")
	s = out.Wait(t, "live readings", func(s recorded.Said) bool { return len(s.Readings) >= 5 })
	want := sdk.Reading{Channel: "temperature", Value: 21.4, Text: "21.40", Status: "OK", DeviceTime: "2026-11-26T09:30:00Z"}
	if got := s.Channel("temperature")[1]; got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if got := s.Channel("pressure")[0]; got != (sdk.Reading{Channel: "pressure", Value: 954.6, Text: "954.6", Unit: "hPa"}) {
		t.Errorf("pressure: %+v", got)
	}
	if s.Identity != "CN-0417" {
		t.Errorf("identity %q", s.Identity)
	}

	large := filepath.Join(t.TempDir(), "large")
	write(t, large, `{"air": "`+strings.Repeat("x", 100_000)+`"}`)
	for _, spoiled := range [][]string{
		{"-t", "lab/air-1/air", "-f", large}, {"-t", "lab/air-1/air", "-m", `{"air":`}, {"-t", "lab/air-1/air", "-n"},
		{"-t", "lab/air-1/pressure", "-m", "high"}, {"-t", "lab/air-1/state", "-m", "perhaps"},
	} {
		b.Publish(spoiled...)
	}
	b.Publish("-t", "lab/air-1/air", "-m", air("later", "null"))
	s = out.Wait(t, "five that cannot be read, and a failed sensor", func(s recorded.Said) bool {
		return len(s.Unreadable) >= 5 && len(s.Channel("temperature")) >= 3
	})
	if r := s.Channel("temperature")[2]; !math.IsNaN(r.Value) || r.Text != "null" {
		t.Errorf("a failed sensor: %+v", r)
	}
	complained := slices.DeleteFunc(slices.Clone(s.Log), func(l string) bool { return !strings.HasPrefix(l, "warn: not read: topic ") })
	if len(complained) != 3 { // one of each topic
		t.Errorf("complained %q", complained)
	}

	died()
	out.Wait(t, "the last will", func(s recorded.Said) bool {
		last := s.States[len(s.States)-1]
		return last.State == pb.DeviceState_DEVICE_STATE_LOST && strings.Contains(last.Detail, "offline")
	})

	// The broker goes and comes back, and has forgotten everything.
	b.Stop()
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "next try in")
	before := len(out.Said().Readings)
	b.Start()
	out.Wait(t, "the connection", func(s recorded.Said) bool {
		return s.States[len(s.States)-1].State == pb.DeviceState_DEVICE_STATE_CONNECTED
	})
	live := func(temperature int) {
		t.Helper()
		// Until it has subscribed anew nothing reaches it.
		for n := 0; len(out.Said().Readings) == before; n++ {
			if n == 500 {
				t.Fatalf("nothing came: %+v", out.Said())
			}
			b.Publish("-t", "lab/air-1/air", "-m", air("back", temperature))
			time.Sleep(20 * time.Millisecond)
		}
	}
	live(19)
	b.Publish("-t", "lab/air-1/air", "-m", air("end", 18))
	s = out.Wait(t, "the end", func(s recorded.Said) bool {
		all := s.Channel("temperature")
		return all[len(all)-1].Value == 18
	})
	if r := s.Readings[before]; r.Value != 19 || r.Status != "OK" {
		t.Errorf("after the broker came back: %+v", r)
	}
	silent(t, s)
}

// A password that is wrong is said to be, and is not said; one in the environment
// lets in.
func TestPasswordAgainstMosquitto(t *testing.T) {
	settings, _ := users(t)
	b := peers.Mosquitto(t, settings, "-u", "hub", "-P", password)
	link := map[string]any{"mqtt": b.Address, "under": "lab/air-1", "user": "hub", "password_env": "EVENBENCH_TEST_PASSWORD"}
	t.Setenv("EVENBENCH_TEST_PASSWORD", password+"s")
	settingsOf := sdk.Settings{Instrument: "air-1", Sheet: shipped(t, "climate-node"), Link: link}
	_, out := run(t, mqtt.Driver(), settingsOf)
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "see user and password in the link")
	silent(t, out.Said())
	t.Setenv("EVENBENCH_TEST_PASSWORD", password)
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_CONNECTED, "mqtt "+b.Address)
	silent(t, out.Said())
}

// TLS both ways: the broker shows a certificate, and asks for one.
func TestTLSAgainstMosquitto(t *testing.T) {
	folder := keys.Folder(filepath.Join(t.TempDir(), "keys"))
	now := time.Now()
	if _, _, err := folder.Make([]string{"127.0.0.1"}, []string{"node"}, now.Add(-time.Hour), now.AddDate(1, 0, 0)); err != nil {
		t.Fatal(err)
	}
	ca := folder.Certificate(keys.AuthorityName)
	b := peers.Mosquitto(t, fmt.Sprintf("allow_anonymous true\ncafile %s\ncertfile %s\nkeyfile %s\nrequire_certificate true\n",
		ca, folder.Certificate("hub"), folder.Key("hub")),
		"--cafile", ca, "--cert", folder.Certificate("node"), "--key", folder.Key("node"))
	link := map[string]any{
		"mqtt": b.Address, "under": "lab/air-1", "tls": true, "ca": ca,
		"certificate": folder.Certificate("node"), "key": folder.Key("node"),
	}
	_, out := run(t, mqtt.Driver(), sdk.Settings{Instrument: "air-1", Sheet: shipped(t, "climate-node"), Link: link})
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_CONNECTED, "with TLS")
	b.Publish("-t", "lab/air-1/pressure", "-r", "-m", "954.6")
	out.Wait(t, "a reading", func(s recorded.Said) bool { return len(s.Readings) > 0 })

	delete(link, "ca")
	_, stranger := run(t, mqtt.Driver(), sdk.Settings{Instrument: "air-1", Sheet: shipped(t, "climate-node"), Link: link})
	stranger.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "certificate")
	if s := stranger.Said(); len(s.Readings) > 0 {
		t.Errorf("a broker that cannot prove who it is was believed: %+v", s.Readings)
	}
}
