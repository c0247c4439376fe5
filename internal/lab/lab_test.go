package lab_test

import (
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const labs = "../../testdata/labs/"

var update = flag.Bool("update", false, "write the golden files anew")

// options stand for a hub with one driver and three built-in sheets.
func options(t testing.TB) lab.Options {
	t.Helper()
	return lab.Options{
		Drivers: sheet.Drivers{"talker": {
			Sheet: func(*document.Node) {},
			Link:  func(n *document.Node) { n.Require("tcp", "host:port").Text("") },
		}},
		Sheet: func(name string) ([]byte, bool) {
			data, err := os.ReadFile(labs + name + ".yaml")
			return data, err == nil
		},
		SheetNames: []string{"scale", "probes", "scanner"},
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := labs + name
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestTenMistakesListTen(t *testing.T) {
	t.Chdir(labs)
	summary, problems := lab.Check("ten-mistakes.yaml", optionsHere(t))
	if summary != "" {
		t.Errorf("a summary of a file with mistakes: %s", summary)
	}
	if len(problems) != 10 {
		t.Errorf("%d problems, want 10", len(problems))
	}
	data, err := os.ReadFile("ten-mistakes.yaml")
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(data), "\n")
	for _, p := range problems {
		if p.Line == 0 || !strings.Contains(lines[p.Line-1], "# mistake") {
			t.Errorf("a problem on a line without a mistake: %v", p)
		}
	}
	t.Chdir("../../internal/lab")
	golden(t, "ten-mistakes.golden", problems.Error()+"\n")
}

// optionsHere are options for a test that has gone to the folder of the labs.
func optionsHere(t testing.TB) lab.Options {
	o := options(t)
	o.Sheet = func(name string) ([]byte, bool) {
		data, err := os.ReadFile(name + ".yaml")
		return data, err == nil
	}
	return o
}

func TestCheckSaysWhatIsFine(t *testing.T) {
	for _, name := range []string{"small", "scale"} {
		t.Run(name, func(t *testing.T) {
			t.Chdir(labs)
			summary, problems := lab.Check(name+".yaml", optionsHere(t))
			if err := problems.Err(); err != nil {
				t.Fatal(err)
			}
			t.Chdir("../../internal/lab")
			golden(t, name+".golden", summary+"\n")
		})
	}
}

func TestChannelsAreCompletedInTheCanonicalUnit(t *testing.T) {
	l, problems := lab.Load(labs+"small.yaml", options(t))
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	const ounce = 28.349523125 // g, NIST SP 811 B.8
	mass := l.Instrument("reception-scale").Channels[0]
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-12*math.Max(1, math.Abs(want)) {
			t.Errorf("%s: %.15g, want %.15g", what, got, want)
		}
	}
	if mass.GetUnit() != "g" || mass.GetDeviceUnit() != "[oz_av]" || mass.GetProperty() != "received_mass" || mass.GetCadence().AsDuration() != 5*time.Second {
		t.Errorf("mass: %v", mass.Channel)
	}
	near("low", mass.GetLow(), 0)
	near("high", mass.GetHigh(), 50*ounce)
	near("uncertainty", mass.Uncertainty, 0.002*ounce)
	near("resolution", mass.Resolution, 0.005*ounce)
	near("rate", mass.Rate, 40*ounce)
	near("spread", mass.Spread, 0.01*ounce)
	near("offset", mass.Calibration.Offset, 0.02*ounce)
	near("slope", mass.Calibration.Slope, 1.001)
	near("calibration's uncertainty", mass.Calibration.Uncertainty, 0.001*ounce)
	if want := time.Date(2027, 1, 2, 0, 0, 0, 0, time.UTC); !mass.Calibration.Until.Equal(want) {
		t.Errorf("valid until %v, want the end of the day that is written", mass.Calibration.Until)
	}

	// A display of 400 °F, corrected as the lab file says it, on the display:
	// 1.01 · 400 − 1.8 = 402.2 °F = 205.666… °C.
	bean := l.Instrument("drum-1-reader").Channels[0]
	near("corrected", bean.Calibration.Slope*((400-32)/1.8)+bean.Calibration.Offset, (402.2-32)/1.8)
	near("low", bean.GetLow(), 0)
	near("high", bean.GetHigh(), 400)
	near("resolution", bean.Resolution, 0.5)

	code := l.Instrument("scanner").Channels[0]
	if code.GetKind() != pb.ChannelKind_CHANNEL_KIND_CODE || code.GetUnit() != "" || code.Low != nil {
		t.Errorf("code: %v", code.Channel)
	}
	if abs, _ := filepath.Abs(labs + "small-data"); l.Data != abs {
		t.Errorf("data: %s, want it beside the lab file, %s", l.Data, abs)
	}
	if l.Listen != (lab.Listen{GRPC: "127.0.0.1:7413", HTTP: "127.0.0.1:7414"}) {
		t.Errorf("listen: %+v", l.Listen)
	}
}

const head = `
lab: L
stations: [{name: bench, kind: bench}, {name: drum, kind: drum}, {name: room, kind: room}]
`

// load writes a lab file and reads it.
func load(t *testing.T, text string) (*lab.Lab, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "lab.yaml")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	l, problems := lab.Load(path, options(t))
	return l, strings.ReplaceAll(problems.Error(), path, "lab.yaml")
}

func TestWhatALabFileMayNotSay(t *testing.T) {
	instrument := func(rest string) string {
		return head + "instruments:\n  - {name: a, station: bench, sheet: scale, link: {tcp: 10.0.0.1:4001}}\n  - " + rest + "\n"
	}
	for _, c := range []struct{ name, text, want string }{
		{"no instruments", head, "instruments is missing"},
		{"same port, other words", instrument("{name: b, station: drum, sheet: scale, link: {tcp: '[::ffff:10.0.0.1]:4001'}}"), `tcp 10.0.0.1:4001 is taken by instrument "a" already`},
		{"the hub's port", instrument("{name: b, station: drum, sheet: scale, link: {tcp: localhost:7413}}"), "is taken by the hub's gRPC listener already"},
		{"no link", instrument("{name: b, station: drum, sheet: scale}"), "link is missing"},
		{"link is wrong", instrument("{name: b, station: drum, sheet: scale, link: {tcp: 10.0.0.1:1, tpc: 10.0.0.1:2}}"), `lab.yaml:6:68: instruments[1].link.tpc: unknown key; did you mean "tcp"?`},
		{"link is no map", instrument("{name: b, station: drum, sheet: scale, link: 3}"), "must be a map, but is 3"},
		{"same part twice", head + "instruments:\n  - {name: a, station: drum, sheet: probes, link: {tcp: 10.0.0.1:1}}\n  - {name: b, station: drum, sheet: probes, link: {tcp: 10.0.0.1:2}}\n", `role "bean" on station "drum" is taken by instrument "a" already`},
		{"scanner in a room", instrument("{name: b, station: room, sheet: scanner, link: {tcp: 10.0.0.1:1}}"), "channel code places samples on its station"},
		{"sample measured in a room", instrument("{name: b, station: room, sheet: scale, link: {tcp: 10.0.0.1:1}}"), "channel mass measures received_mass of a sample"},
		{"no such executable", instrument("{name: b, station: drum, sheet: scale, executable: ./none}"), "none: no such file or directory"},
		{"arguments for nothing", instrument("{name: b, station: drum, sheet: scanner, link: {tcp: 10.0.0.1:1}, arguments: [x]}"), "are for an executable"},
		{"no such sheet file", instrument("{name: b, station: drum, sheet: ./none.yaml, link: {tcp: 10.0.0.1:1}}"), "none.yaml: no such file or directory"},
		{"no such sheet, with channels", instrument("{name: b, station: drum, sheet: scalle, link: {tcp: 10.0.0.1:1}, channels: {mass: {cadence: 2s}}}"), `there is no built-in sheet "scalle"`},
		{"correction without a name", instrument("{name: b, station: drum, sheet: scale, link: {tcp: 10.0.0.1:1}, channels: {mass: {correct: {offset: 1}}}}"), "id is missing"},
		{"slope below zero", instrument("{name: b, station: drum, sheet: scale, link: {tcp: 10.0.0.1:1}, channels: {mass: {correct: {id: c, slope: -1}}}}"), "must be above zero, but is -1"},
		{"slope is no number", instrument("{name: b, station: drum, sheet: scale, link: {tcp: 10.0.0.1:1}, channels: {mass: {correct: {id: c, slope: .nan}}}}"), "must be a finite number, but is .nan"},
		{"property of a trace", instrument("{name: b, station: drum, sheet: probes, link: {tcp: 10.0.0.1:1}, channels: {bean: {property: bean_temperature}}}"), "a continuous channel is a trace"},
		{"property of another quantity", instrument("{name: b, station: drum, sheet: scale, link: {tcp: 10.0.0.1:1}, channels: {mass: {property: moisture}}}"), "moisture is of quantity moisture, but the channel measures mass"},
		{"channels of a channel", instrument("{name: b, station: drum, sheet: scale, link: {tcp: 10.0.0.1:1}, channels: {mass: {unit: g}}}"), "instruments[1].channels.mass.unit: unknown key"},
		{"listen: no port", instrument("{name: b, station: drum, sheet: scanner, link: {tcp: 10.0.0.1:1}}") + "listen: {grpc: 127.0.0.1}\n", "is no address"},
		{"listen: other machine", instrument("{name: b, station: drum, sheet: scanner, link: {tcp: 10.0.0.1:1}}") + "listen: {http: '[::]:80'}\n", "listens beyond loopback, which needs credentials"},
		{"listen: twice the same", instrument("{name: b, station: drum, sheet: scanner, link: {tcp: 10.0.0.1:1}}") + "listen: {http: localhost:7413}\n", "is taken by the hub's gRPC listener already"},
		{"data is a file", instrument("{name: b, station: drum, sheet: scanner, link: {tcp: 10.0.0.1:1}}") + "data: lab.yaml\n", "is a file: name a folder"},
		{"stations are names", "lab: L\nstations: [bench]\ninstruments: []\n", `must be a map, but is "bench"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			if _, got := load(t, c.text); !strings.Contains(got, c.want) {
				t.Errorf("got\n%s\nwant something that says\n%s", got, c.want)
			} else if strings.Count(got, "\n") > 0 {
				t.Errorf("more than one problem for one mistake:\n%s", got)
			}
		})
	}
}

func TestAnExpiredCalibrationIsNoMistake(t *testing.T) {
	if _, got := load(t, head+"instruments:\n  - {name: b, station: drum, sheet: scale, link: {tcp: 10.0.0.1:1}, channels: {mass: {correct: {id: c, until: 2001-01-01}}}}\n"); got != "" {
		t.Error(got)
	}
}

func TestADriverOfOnesOwn(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{
		"own":      "#!/bin/sh\n",
		"own.yaml": "sheet: own\ntitle: Own\ndriver: own-driver\npins: [1, 2]\nchannels: {t: {quantity: temperature, unit: Cel, kind: spot}}\n",
		"lab.yaml": head + "instruments:\n  - {name: a, station: bench, executable: ./own, arguments: [-v, 3], sheet: ./own.yaml, link: {gpio: 7}}\n",
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	l, problems := lab.Load(filepath.Join(dir, "lab.yaml"), options(t))
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	i := l.Instrument("a")
	if i.Executable != filepath.Join(dir, "own") || strings.Join(i.Arguments, " ") != "-v 3" || i.Driver != "own-driver" || i.Link["gpio"] != 7.0 {
		t.Errorf("%+v", i)
	}
}

func TestFingerprintsTellWhatChanged(t *testing.T) {
	data, err := os.ReadFile(labs + "small.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := strings.ReplaceAll(string(data), "./scale.yaml", "scale")
	before, problems := load(t, text)
	if problems != "" {
		t.Fatal(problems)
	}
	for _, c := range []struct{ old, new, changed string }{
		{"Small lab", "Another name", ""},
		{"# A small lab", "# Another comment", ""},
		{"4102", "4112", "drum-1-reader"},
		{"slope: 1.001", "slope: 1.002", "reception-scale"},
		{"until: 2027-01-01", "until: 2027-01-02", "reception-scale"},
		{"identity: SN 1234", "identity: SN 1235", "reception-scale"},
		{"sheet: scanner", "sheet: scale", "scanner"},
		{"cadence: 5s", "cadence: 6s", "reception-scale"},
	} {
		after, problems := load(t, strings.Replace(text, c.old, c.new, 1))
		if problems != "" {
			t.Fatal(problems)
		}
		var changed []string
		for _, i := range before.Instruments {
			if after.Instrument(i.Name).Fingerprint() != i.Fingerprint() {
				changed = append(changed, i.Name)
			}
		}
		if got := strings.Join(changed, " "); got != c.changed {
			t.Errorf("%q → %q: changed are %q, want %q", c.old, c.new, got, c.changed)
		}
	}
}

func TestFilesThatAreNone(t *testing.T) {
	dir := t.TempDir()
	empty := filepath.Join(dir, "neither.yaml")
	if err := os.WriteFile(empty, []byte("a: 1\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{
		filepath.Join(dir, "none.yaml"): "no such file or directory",
		dir:                             "it is not a plain file",
		"/dev/zero":                     "it is not a plain file",
		empty:                           "is neither a lab file nor a sheet",
	} {
		if _, problems := lab.Check(path, options(t)); len(problems) != 1 || !strings.Contains(problems[0].String(), want) {
			t.Errorf("%s: %v, want one problem that says %q", path, problems, want)
		}
	}
}

func FuzzLoad(f *testing.F) {
	for _, name := range []string{"small.yaml", "ten-mistakes.yaml"} {
		data, err := os.ReadFile(labs + name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	o := options(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		path := filepath.Join(t.TempDir(), "lab.yaml")
		if err := os.WriteFile(path, data, 0o644); err != nil {
			t.Fatal(err)
		}
		l, problems := lab.Load(path, o)
		if len(problems) > 0 {
			return
		}
		for _, i := range l.Instruments {
			if i.Name == "" || l.Station(i.Station) == nil || i.Sheet == nil || len(i.Channels) != len(i.Sheet.Channels) {
				t.Errorf("accepted, but not complete: %+v", i)
			}
			i.Fingerprint()
		}
	})
}
