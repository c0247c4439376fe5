package link_test

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/link"
)

func TestParse(t *testing.T) {
	for text, want := range map[string]map[string]any{
		"tcp:192.168.1.20:4001":                      {"tcp": "192.168.1.20:4001"},
		"unix:/run/meter.sock":                       {"unix": "/run/meter.sock"},
		"serial:/dev/ttyUSB0,baud=19200,parity=even": {"serial": "/dev/ttyUSB0", "baud": 19200.0, "parity": "even"},
		"rtu:COM3": {"rtu": "COM3"},
	} {
		if got, err := link.Parse(text); err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: got %v, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "tcp", "tcp:", "usb:x", "/dev/ttyUSB0", "serial:/dev/ttyUSB0,9600"} {
		if got, err := link.Parse(text); err == nil || !strings.Contains(err.Error(), "write tcp:HOST:PORT") {
			t.Errorf("%q: got %v, %v", text, got, err)
		}
	}
}

// Two names of one line are one port.
func TestPort(t *testing.T) {
	dir := t.TempDir()
	device, name := filepath.Join(dir, "ttyUSB0"), filepath.Join(dir, "by-id")
	if err := os.WriteFile(device, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(device, name); err != nil {
		t.Skipf("make a symbolic link: %v", err)
	}
	read := func(text string) string {
		root := document.Parse("x", []byte(text))
		l := link.Read(root.Node, link.Serial, link.RTU, link.TCP)
		if err := root.Problems.Err(); err != nil {
			t.Fatal(err)
		}
		return l.Port()
	}
	if a, b := read("serial: "+device), read("rtu: "+name); a != b {
		t.Errorf("%s and %s are one line", a, b)
	}
	if a, b := read("tcp: Scale.local:1"), read("tcp: scale.local:1"); a != b {
		t.Errorf("%s and %s are one address", a, b)
	}
	if a, b := read("tcp: 127.0.0.1:1"), read("tcp: 127.0.0.1:2"); a == b {
		t.Errorf("%s and %s are two addresses", a, b)
	}
}
