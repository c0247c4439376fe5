package iio

import (
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

func tree(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// The units and the order of offset and scale are those of the kernel's
// Documentation/ABI/testing/sysfs-bus-iio: milli degrees Celsius, milli percent,
// kilopascals; the offset is added before the scale is applied.
func TestAttributesAreScaledAsTheKernelSays(t *testing.T) {
	for _, c := range []struct {
		attribute string
		files     map[string]string
		want      float64
		unit      string
	}{
		{"in_temp", map[string]string{"in_temp_input": "23437\n"}, 23.437, "Cel"},
		{"in_temp", map[string]string{"in_temp_raw": "375\n", "in_temp_scale": "62.5\n"}, 23.4375, "Cel"},
		{"in_temp", map[string]string{"in_temp_raw": "26112", "in_temp_scale": "2.670328", "in_temp_offset": "-17531.25"}, (26112 - 17531.25) * 2.670328 / 1000, "Cel"},
		{"in_temp_ambient", map[string]string{"in_temp_ambient_raw": "-16", "in_temp_ambient_scale": "62.5"}, -1, "Cel"},
		{"in_temp_ambient", map[string]string{"in_temp_ambient_raw": "16", "in_temp_scale": "62.5"}, 1, "Cel"},
		{"in_temp1", map[string]string{"in_temp1_raw": "16", "in_temp_scale": "62.5", "in_temp1_scale": "125"}, 2, "Cel"},
		{"in_temp", map[string]string{"in_temp_input": "1000", "in_temp_raw": "5", "in_temp_scale": "1"}, 1, "Cel"},
		{"in_humidityrelative", map[string]string{"in_humidityrelative_input": "41074.000000\n"}, 41.074, "%"},
		{"in_pressure", map[string]string{"in_pressure_input": "101.325000000\n"}, 101.325, "kPa"},
		{"in_voltage3", map[string]string{"in_voltage3_raw": "100", "in_voltage_scale": "0.5"}, 50, "mV"},
	} {
		dir := tree(t, c.files)
		w, err := wayTo(dir, c.attribute, readAttribute)
		if err != nil {
			t.Errorf("%s: %v", c.attribute, err)
			continue
		}
		text, err := readAttribute(w.file)
		if err != nil {
			t.Fatal(err)
		}
		v, err := number(text)
		_, k, _ := kindOf(c.attribute)
		if got := (v + w.offset) * w.scale; err != nil || math.Abs(got-c.want) > 1e-9 || k.unit != c.unit {
			t.Errorf("%s of %v: %v %s, %v; want %v %s", c.attribute, c.files, got, k.unit, err, c.want, c.unit)
		}
	}
}

func TestWhatCannotBeScaledIsNotGuessed(t *testing.T) {
	for _, files := range []map[string]string{
		{},
		{"in_temp_raw": "375"},
		{"in_temp_raw": "375", "in_temp_scale": "much"},
		{"in_temp_raw": "375", "in_temp_scale": "1", "in_temp_offset": ""},
	} {
		if w, err := wayTo(tree(t, files), "in_temp", readAttribute); err == nil {
			t.Errorf("%v: %+v", files, w)
		}
	}
}

func TestFaultsHaveTheKernelsNames(t *testing.T) {
	for want, err := range map[string]error{
		"EIO":    &fs.PathError{Op: "read", Path: "in_temp_raw", Err: syscall.EIO},
		"EAGAIN": &fs.PathError{Op: "read", Path: "in_temp_raw", Err: syscall.EAGAIN},
		"EINVAL": fmt.Errorf("wrapped: %w", syscall.EINVAL),
	} {
		if got := fault(err); got != want || gone(err) {
			t.Errorf("%v: %s, gone %v", err, got, gone(err))
		}
	}
	for _, err := range []error{syscall.ENODEV, syscall.ENXIO, fs.ErrNotExist} {
		if !gone(err) {
			t.Errorf("%v is not taken for a device that is gone", err)
		}
	}
	if gone(nil) {
		t.Error("nothing is wrong, and it is gone")
	}
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"23437", "-16", "41.074000000", "0.000000000", "1e3", "", "nan", "0x10", "1 2", "1_0", "1e999", "-"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		v, err := number(text)
		if (err != nil) != math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("%q: %v, %v", text, v, err)
		}
	})
}
