package iio

import (
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"

	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/recorded"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheet/sheettest"
	"github.com/evenbench/evenbench/plugins/sheets"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var drivers = sheet.Drivers{"iio": {Sheet: Check, Link: CheckLink}}

// kernel is a tree such as the kernel shows: devices in directories of their chips,
// and links to them in one place.
type kernel struct {
	t    *testing.T
	root string
}

func newKernel(t *testing.T) *kernel {
	k := &kernel{t, t.TempDir()}
	k.must(os.MkdirAll(filepath.Join(k.root, "bus"), 0o755))
	return k
}

func (k *kernel) must(err error) {
	k.t.Helper()
	if err != nil {
		k.t.Fatal(err)
	}
}

// plug makes a device at a place of a bus, under a number of the kernel's.
func (k *kernel) plug(place, number string, files map[string]string) {
	k.t.Helper()
	made := filepath.Join(k.root, "new-"+place)
	k.must(os.MkdirAll(filepath.Join(made, number), 0o755))
	for name, text := range files {
		k.must(os.WriteFile(filepath.Join(made, number, name), []byte(text+"\n"), 0o644))
	}
	k.must(os.Rename(made, filepath.Join(k.root, place)))
	k.must(os.Symlink(filepath.Join(k.root, place, number), filepath.Join(k.root, "bus", number)))
}

func (k *kernel) unplug(place, number string) {
	k.t.Helper()
	k.must(os.Remove(filepath.Join(k.root, "bus", number)))
	k.must(os.RemoveAll(filepath.Join(k.root, place)))
}

func (k *kernel) link(more map[string]any) map[string]any {
	more["root"] = filepath.Join(k.root, "bus")
	return more
}

func run(t *testing.T, name string, link map[string]any, change func(*Device)) (*Device, *recorded.Out) {
	t.Helper()
	data, ok := sheets.Find(name)
	if !ok {
		t.Fatalf("there is no sheet %s", name)
	}
	data = []byte(strings.Replace(string(data), "every: 10s", "every: 5ms", 1))
	parsed, problems := sheet.Parse(name, data, drivers)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	d, err := Open(sdk.Settings{Sheet: parsed.Raw, Link: link})
	if err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(d)
	}
	return d, recorded.Run(t, d)
}

var air = map[string]string{"name": "hygro", "in_temp_input": "23437", "in_humidityrelative_input": "61250"}

// A chip is found by its name, read, lost when it is pulled, and found again under
// another number of the kernel's.
func TestAChipIsGoneAndBack(t *testing.T) {
	k := newKernel(t)
	d, out := run(t, "humidity-chip-iio", k.link(map[string]any{"name": "hygro"}), nil)
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, `there is no device named "hygro"`)
	k.plug("1-0044", "iio:device0", air)
	s := out.Wait(t, "a reading of each", func(s recorded.Said) bool { return len(s.Readings) >= 2 })
	if got := s.Channel("temperature")[0]; got.Value != 23.437 || got.Text != "23437" || got.Status != "" {
		t.Errorf("temperature: %+v", got)
	}
	if got := s.Channel("relative_humidity")[0]; got.Value != 61.25 {
		t.Errorf("humidity: %+v", got)
	}
	if s.Identity != "hygro at 1-0044" {
		t.Errorf("identity %q", s.Identity)
	}
	if answer, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_MEASURE}); err != nil || answer != "2 of 2 attributes read" {
		t.Errorf("measure: %q, %v", answer, err)
	}
	if _, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_ZERO}); !errors.Is(err, sdk.ErrUnsupported) {
		t.Errorf("zero: %v", err)
	}
	seen := len(out.Said().States)
	k.unplug("1-0044", "iio:device0")
	out.Wait(t, "the loss", func(s recorded.Said) bool {
		return slices.ContainsFunc(s.States[seen:], func(x recorded.State) bool { return x.State == pb.DeviceState_DEVICE_STATE_LOST })
	})
	if _, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_MEASURE}); err == nil {
		t.Error("a device that is gone measured")
	}
	read := len(out.Said().Readings)
	k.plug("1-0045", "iio:device3", air)
	s = out.Wait(t, "readings of what is back", func(s recorded.Said) bool { return len(s.Readings) > read })
	if s.Identity != "hygro at 1-0045" {
		t.Errorf("identity of what is back: %q", s.Identity)
	}
}

// Two chips of one name are told apart by label or place, and not by guessing.
func TestTwoOfOneName(t *testing.T) {
	k := newKernel(t)
	k.plug("1-0044", "iio:device0", air)
	other := map[string]string{"label": "room-two"}
	for name, text := range air {
		other[name] = text
	}
	other["in_temp_input"] = "19000"
	k.plug("1-0045", "iio:device1", other)

	_, out := run(t, "humidity-chip-iio", k.link(map[string]any{"name": "hygro"}), nil)
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "is not one but 2: write path in place of it")
	for _, link := range []map[string]any{{"label": "room-two"}, {"path": filepath.Join(k.root, "1-0045")}, {"path": filepath.Join(k.root, "1-0045", "iio:device1")}} {
		_, out := run(t, "humidity-chip-iio", k.link(link), nil)
		s := out.Wait(t, "a reading", func(s recorded.Said) bool { return len(s.Readings) >= 2 })
		if got := s.Channel("temperature")[0]; got.Value != 19 || s.Identity != "hygro room-two at 1-0045" {
			t.Errorf("%v: %+v of %q", link, got, s.Identity)
		}
	}
}

// What the kernel cannot read is a reading without a value that says why; what is
// beside it goes on.
func TestAnErrorOfTheKernels(t *testing.T) {
	k := newKernel(t)
	k.plug("spi0.0", "iio:device0", map[string]string{
		"name": "amplifier", "in_temp_raw": "3200", "in_temp_scale": "62.5", "in_temp_ambient_raw": "400", "in_temp_ambient_scale": "62.5",
	})
	var mu sync.Mutex
	var says error
	set := func(err error) { mu.Lock(); says = err; mu.Unlock() }
	_, out := run(t, "thermocouple-amplifier-iio", k.link(map[string]any{"name": "amplifier"}), func(d *Device) {
		d.sheet.every = 1
		d.read = func(path string) (string, error) {
			mu.Lock()
			defer mu.Unlock()
			if says != nil && filepath.Base(path) == "in_temp_raw" {
				return "", &fs.PathError{Op: "read", Path: path, Err: says}
			}
			return readAttribute(path)
		}
	})
	s := out.Wait(t, "a reading of each", func(s recorded.Said) bool { return len(s.Readings) >= 2 })
	if bean, cold := s.Channel("bean")[0], s.Channel("cold_junction")[0]; bean.Value != 200 || cold.Value != 25 {
		t.Errorf("bean %+v, cold junction %+v", bean, cold)
	}
	for _, errno := range []syscall.Errno{syscall.EIO, syscall.EAGAIN} {
		want := map[syscall.Errno]string{syscall.EIO: "EIO", syscall.EAGAIN: "EAGAIN"}[errno]
		set(errno)
		out.Wait(t, want, func(s recorded.Said) bool {
			all := s.Channel("bean")
			last := all[len(all)-1]
			return last.Status == want && math.IsNaN(last.Value)
		})
		out.WaitState(t, pb.DeviceState_DEVICE_STATE_CONNECTED, "read in_temp_raw: ")
	}
	set(syscall.ENODEV)
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "")
	before := len(out.Said().Readings)
	set(nil)
	out.Wait(t, "readings again", func(s recorded.Said) bool { return len(s.Readings) > before })
	for _, r := range out.Said().Channel("cold_junction") {
		if r.Value != 25 || r.Status != "" {
			t.Errorf("cold junction: %+v", r)
		}
	}
}

// The kernel of the machine that runs the tests, if it has a sensor.
func TestThisMachinesKernel(t *testing.T) {
	dirs, _ := filepath.Glob(filepath.Join(defaultRoot, "iio:device*"))
	if len(dirs) == 0 {
		t.Skipf("this machine has no sensor in %s", defaultRoot)
	}
	for _, dir := range dirs {
		if who := identify(dir, readAttribute); who == "" {
			t.Errorf("%s has no identity", dir)
		}
		files, _ := filepath.Glob(filepath.Join(dir, "in_temp*_input"))
		for _, f := range files {
			text, err := readAttribute(f)
			if err != nil {
				continue // it may be asleep
			}
			if _, err := number(text); err != nil {
				t.Errorf("%s: %v", f, err)
			}
		}
	}
}

func TestCheckFindsEveryMistake(t *testing.T) {
	const text = `sheet: bad
title: A sheet with mistakes
driver: iio
inputs:
  - {channel: been, attribute: in_temp}
  - {channel: air, attribute: in_temp_input}
  - {channel: air, attribute: in_humidityrelative, scale: 0}
  - {channel: wet, attribute: in_accel_x}
  - {attribute: "in_temp/../../name"}
channels:
  bean: {quantity: temperature, unit: Cel, kind: continuous}
  air: {quantity: temperature, unit: Cel, kind: continuous}
  wet: {quantity: relative_humidity, unit: "%", kind: continuous}
`
	_, problems := sheet.Parse("bad.yaml", []byte(text), drivers)
	sheettest.Says(t, problems,
		`inputs[0].channel: there is no channel "been"; did you mean "bean"?`,
		`inputs[1].attribute: "in_temp_input": write in_temp`,
		"inputs[2].channel: channel air is fed already",
		"inputs[2].attribute: in_humidityrelative is in %, and the channel measures temperature",
		"inputs[2].scale: must be above zero",
		`inputs[3].attribute: "in_accel_x" is of no type`,
		"inputs[4]: channel is missing",
		`inputs[4].attribute: "in_temp/../../name" `,
		"channels.bean: no input feeds this channel",
	)
	if _, err := Open(sdk.Settings{Link: map[string]any{"name": "a", "label": "b"}}); err == nil || !strings.Contains(err.Error(), "keep one of name, label, path") {
		t.Errorf("two addresses: %v", err)
	}
}
