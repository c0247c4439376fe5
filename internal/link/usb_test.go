package link_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/link"
)

// The tree is laid out as a Linux kernel shows a USB serial adapter: the line is an
// interface (1-1.2:1.0) of a device (1-1.2); an adapter with a driver of its own has a
// port between (ttyUSB0).
func TestUSBSaysWhichDeviceALineEndsIn(t *testing.T) {
	root := t.TempDir()
	make := func(path, text string) {
		t.Helper()
		path = filepath.Join(root, path)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	plug := func(tty, device string) {
		t.Helper()
		dir := filepath.Join(root, "class/tty", tty)
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(filepath.Join(root, device), filepath.Join(dir, "device")); err != nil {
			t.Fatal(err)
		}
		make("dev/"+tty, "")
	}
	for name, text := range map[string]string{"idVendor": "1209\n", "idProduct": "0001\n", "serial": "EB \x07417\n"} {
		make("devices/usb1/1-1.2/"+name, text)
	}
	make("devices/usb1/1-1.2/1-1.2:1.0/ttyUSB0/uevent", "")
	plug("ttyUSB0", "devices/usb1/1-1.2/1-1.2:1.0/ttyUSB0")
	for name, text := range map[string]string{"idVendor": "1209", "idProduct": "0002"} {
		make("devices/usb1/1-1.3/"+name, text)
	}
	make("devices/usb1/1-1.3/1-1.3:1.0/uevent", "")
	plug("ttyACM0", "devices/usb1/1-1.3/1-1.3:1.0")
	make("devices/pnp0/00:01/uevent", "")
	plug("ttyS0", "devices/pnp0/00:01")
	byID := filepath.Join(root, "by-id")
	if err := os.Symlink(filepath.Join(root, "dev/ttyUSB0"), byID); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ kind, address, want string }{
		{link.Serial, filepath.Join(root, "dev/ttyUSB0"), "usb 1209:0001 serial EB 417"},
		{link.RTU, byID, "usb 1209:0001 serial EB 417"},
		{link.Serial, filepath.Join(root, "dev/ttyACM0"), "usb 1209:0002 at 1-1.3"},
		{link.Serial, filepath.Join(root, "dev/ttyS0"), ""},
		{link.Serial, filepath.Join(root, "dev/ttyUSB9"), ""},
		{link.TCP, "127.0.0.1:4001", ""},
	} {
		if got := (link.Link{Kind: c.kind, Address: c.address}).USB(root); got != c.want {
			t.Errorf("%s %s: %q, want %q", c.kind, strings.TrimPrefix(c.address, root), got, c.want)
		}
	}
}
