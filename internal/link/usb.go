package link

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// Sysfs is where Linux shows its devices.
const Sysfs = "/sys"

// USB says which USB device a serial line ends in: its maker's and product's numbers
// and its serial number, or where it is plugged in if it has none. It is empty for
// everything else. Root is Sysfs.
//
// The files are those of Documentation/ABI/stable/sysfs-bus-usb of the kernel:
// idVendor, idProduct, serial.
func (l Link) USB(root string) string {
	if l.Kind != Serial && l.Kind != RTU {
		return ""
	}
	path, err := filepath.EvalSymlinks(l.Address)
	if err != nil {
		return ""
	}
	dir, err := filepath.EvalSymlinks(filepath.Join(root, "class", "tty", filepath.Base(path), "device"))
	if err != nil {
		return ""
	}
	// The line is an interface of the device, which is one or two directories up.
	for range 4 {
		if maker := attribute(dir, "idVendor"); maker != "" {
			who := fmt.Sprintf("usb %s:%s", maker, attribute(dir, "idProduct"))
			if serial := attribute(dir, "serial"); serial != "" {
				return who + " serial " + serial
			}
			return who + " at " + filepath.Base(dir)
		}
		dir = filepath.Dir(dir)
	}
	return ""
}

// attribute reads a short file of the kernel's; empty if there is none. What is no
// printable ASCII has no place in an identity.
func attribute(dir, name string) string {
	b, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return ""
	}
	return strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return -1
		}
		return r
	}, strings.TrimSpace(string(b[:min(len(b), 256)])))
}
