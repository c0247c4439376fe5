package iio

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/evenbench/evenbench/internal/document"
)

// defaultRoot is where the kernel lists its devices.
const defaultRoot = "/sys/bus/iio/devices"

// address says which of the kernel's devices is meant. Their numbers change from one
// start of the machine to the next, so that none is addressed by its number.
type address struct {
	root string
	// One of these: what the device's file name says (the chip), what its file label
	// says (the device tree), or the directory in which the kernel has it.
	name, label, path string
}

func readAddress(n *document.Node) address {
	a := address{
		root: n.Field("root").Text(defaultRoot),
		name: n.Field("name").Text(""), label: n.Field("label").Text(""), path: n.Field("path").Text(""),
	}
	given := 0
	for _, key := range []string{"name", "label", "path"} {
		if f := n.Field(key); f != nil {
			if given++; given > 1 {
				f.Problem("a device is addressed in one way: keep one of name, label, path")
			}
		}
	}
	if given == 0 && n.Kind() == document.Map {
		n.Problem("says no way to the device: write name (what its file name says), label, or path (where readlink -f shows it under /sys/devices)")
	}
	return a
}

func (a address) String() string {
	switch {
	case a.label != "":
		return fmt.Sprintf("the device labelled %q in %s", a.label, a.root)
	case a.path != "":
		return a.path
	}
	return fmt.Sprintf("the device named %q in %s", a.name, a.root)
}

// find returns the directory of the device.
func (a address) find(read func(string) (string, error)) (string, error) {
	if a.path != "" {
		return a.inPath()
	}
	dirs, err := filepath.Glob(filepath.Join(a.root, "iio:device*"))
	if err != nil {
		return "", fmt.Errorf("look for %v: %w", a, err)
	}
	var found, seen []string
	for _, dir := range dirs {
		name, _ := read(filepath.Join(dir, "name"))
		label, _ := read(filepath.Join(dir, "label"))
		if a.label != "" && label == a.label || a.name != "" && name == a.name {
			found = append(found, dir)
		}
		seen = append(seen, strings.TrimSpace(name+" "+label))
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return "", fmt.Errorf("there is no %v, which has [%s]: is the sensor wired, and its kernel driver loaded?",
			strings.TrimPrefix(a.String(), "the "), strings.Join(seen, ", "))
	}
	return "", fmt.Errorf("%v is not one but %d: write path in place of it, and which: %s", a, len(found), strings.Join(places(found), ", "))
}

// inPath finds the device by the directory in which the kernel has it: that of the
// device itself, or that of the chip above it, whose name stays.
func (a address) inPath() (string, error) {
	if _, err := os.Stat(filepath.Join(a.path, "name")); err == nil && strings.HasPrefix(filepath.Base(a.path), "iio:device") {
		return a.path, nil
	}
	below, err := filepath.Glob(filepath.Join(a.path, "iio:device*"))
	if err != nil || len(below) == 0 {
		return "", fmt.Errorf("there is no device in %s: is the sensor wired, and its kernel driver loaded?", a.path)
	}
	slices.Sort(below)
	return below[0], nil
}

func places(dirs []string) []string {
	var out []string
	for _, dir := range dirs {
		real, err := filepath.EvalSymlinks(dir)
		if err != nil {
			real = dir
		}
		out = append(out, filepath.Dir(real))
	}
	return out
}

// identify says who a device is: its chip, and the place on the bus, which stays when
// its number changes.
func identify(dir string, read func(string) (string, error)) string {
	name, _ := read(filepath.Join(dir, "name"))
	label, _ := read(filepath.Join(dir, "label"))
	serial, _ := read(filepath.Join(dir, "serialnumber"))
	place := filepath.Base(places([]string{dir})[0])
	who := cmp.Or(strings.TrimSpace(name+" "+label), "unnamed")
	if serial != "" {
		return who + " serial " + serial
	}
	return who + " at " + place
}

// longestAttribute is the most of a file that is read, in bytes: the kernel's are a
// page at most, and a value is a few digits.
const longestAttribute = 4096

// readAttribute reads a file of the kernel's, without the spaces around what it says.
func readAttribute(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	var b [longestAttribute]byte
	n, err := f.Read(b[:])
	if err != nil && !errors.Is(err, io.EOF) { // which an empty file begins with
		return "", err
	}
	return strings.TrimSpace(string(b[:n])), nil
}
