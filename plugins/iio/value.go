package iio

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// kind is a type of channel as the kernel names it, and what its values mean once
// offset and scale are applied: value = factor × what the kernel says, in unit.
type kind struct {
	unit   string
	factor float64
}

// kinds are the units of the kernel's ABI: milli degrees Celsius, milli percent,
// kilopascals, millivolts, milliamperes, milliwatts (Documentation/ABI/testing/
// sysfs-bus-iio, under in_<type>_raw and in_<type>_input); ohms for a resistance.
var kinds = map[string]kind{
	"temp":             {"Cel", 1e-3},
	"humidityrelative": {"%", 1e-3},
	"pressure":         {"kPa", 1},
	"voltage":          {"mV", 1},
	"current":          {"mA", 1},
	"power":            {"W", 1e-3},
	"resistance":       {"Ohm", 1},
}

// kindOf returns the type of channel that an attribute such as in_temp_ambient or
// in_voltage3 is of.
func kindOf(attribute string) (string, kind, bool) {
	rest, ok := strings.CutPrefix(attribute, "in_")
	if i := strings.IndexAny(rest, "_0123456789"); i >= 0 {
		rest = rest[:i]
	}
	k, known := kinds[rest]
	return rest, k, ok && known
}

// number reads what the kernel writes as a number: digits, a sign, a point. An
// exponent is taken too; anything else that a program would read is not.
func number(text string) (float64, error) {
	if text == "" || strings.Trim(text, "+-.0123456789eE") != "" {
		return math.NaN(), fmt.Errorf("%.40q is no number", text)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return math.NaN(), fmt.Errorf("%.40q is no number", text)
	}
	return v, nil
}

// way is how an attribute becomes a value: the file to read, and what to do with its
// number: (number + offset) × scale.
type way struct {
	file          string
	offset, scale float64
}

// wayTo finds how an attribute is to be read: _input is scaled by the kernel; _raw is
// to be scaled by what stands beside it, for the channel or for all of its type.
func wayTo(dir, attribute string, read func(string) (string, error)) (way, error) {
	kindName, k, _ := kindOf(attribute)
	input := filepath.Join(dir, attribute+"_input")
	// A file that cannot be read just now is there.
	if _, err := read(input); !gone(err) {
		return way{input, 0, k.factor}, nil
	}
	w := way{file: filepath.Join(dir, attribute+"_raw")}
	if _, err := read(w.file); gone(err) {
		return way{}, fmt.Errorf("find %s: %s has neither %s_input nor %s_raw", attribute, dir, attribute, attribute)
	}
	beside := func(what string) (float64, bool, error) {
		for _, base := range []string{attribute, "in_" + kindName} {
			file := filepath.Join(dir, base+what)
			text, err := read(file)
			if gone(err) {
				continue
			}
			if err != nil {
				return 0, false, fmt.Errorf("read %s: %w", file, err)
			}
			v, err := number(text)
			if err != nil {
				return 0, false, fmt.Errorf("read %s: %w", file, err)
			}
			return v, true, nil
		}
		return 0, false, nil
	}
	offset, _, err := beside("_offset")
	if err != nil {
		return way{}, err
	}
	scale, ok, err := beside("_scale")
	if err != nil {
		return way{}, err
	}
	if !ok {
		return way{}, fmt.Errorf("find %s: %s has %s_raw and no %s_scale, so that it is not known what it means", attribute, dir, attribute, attribute)
	}
	w.offset, w.scale = offset, scale*k.factor
	return w, nil
}

// gone tells whether a file is not there, or its device not any more.
func gone(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENODEV) || errors.Is(err, syscall.ENXIO)
}

// faults are the kernel's errors by their names, as a reading's status.
var faults = []struct {
	err  syscall.Errno
	name string
}{
	{syscall.EIO, "EIO"}, {syscall.EAGAIN, "EAGAIN"}, {syscall.EBUSY, "EBUSY"}, {syscall.ETIMEDOUT, "ETIMEDOUT"},
	{syscall.EINVAL, "EINVAL"}, {syscall.EREMOTEIO, "EREMOTEIO"}, {syscall.EPROTO, "EPROTO"},
	{syscall.EBADMSG, "EBADMSG"}, {syscall.ERANGE, "ERANGE"},
}

// fault is the status of a reading that failed: the kernel's name for its error, or
// what it says.
func fault(err error) string {
	for _, f := range faults {
		if errors.Is(err, f.err) {
			return f.name
		}
	}
	var path *fs.PathError
	if errors.As(err, &path) {
		return path.Err.Error()
	}
	return err.Error()
}
