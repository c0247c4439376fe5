package lab

import (
	"encoding/json"
	"errors"
	"io/fs"
	"net"
	"net/netip"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/evenbench/evenbench/internal/document"
)

// listenAddress reads where to listen. Beyond loopback anybody on the network
// could write to the record, so that it takes an access section.
func listenAddress(n *document.Node, absent string, access bool) string {
	s := n.Text(absent)
	host, port, err := net.SplitHostPort(s)
	if err != nil {
		n.Problem("%q is no address: write host:port, such as %s", s, absent)
		return absent
	}
	if p, err := strconv.Atoi(port); err != nil || p < 0 || p > 65535 {
		n.Problem("%q has no port from 0 to 65535: write host:port, such as %s", s, absent)
		return absent
	}
	if !access && !loopback(host) {
		n.Problem("%q listens beyond loopback, which needs credentials, and this lab file has none: make some with evenbench keys make and add the access: section that it prints, or write an address such as %s", s, absent)
		return absent
	}
	return s
}

func loopback(host string) bool {
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap().IsLoopback()
}

// end names the physical end of a link, so that two links to one device have the
// same name however they are written; empty if there is no link.
func end(link map[string]any) string {
	for _, kind := range []string{"serial", "rtu", "unix"} {
		if path, ok := link[kind].(string); ok && path != "" {
			return realPath(path)
		}
	}
	if address, ok := link["tcp"].(string); ok {
		return tcpEnd(address)
	}
	if len(link) == 0 {
		return ""
	}
	// A link of a driver that is not known here: the same words are the same end.
	text, err := json.Marshal(link)
	if err != nil {
		return ""
	}
	return string(text)
}

// realPath follows symbolic links: /dev/serial/by-id names a port a second time.
func realPath(path string) string {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		return real
	}
	return filepath.Clean(path)
}

// tcpEnd writes an address in one way: 127.0.0.1 for this machine by any of its
// loopback names, other names in lower case. Port 0 is any free port, and no
// end.
func tcpEnd(address string) string {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return ""
	}
	number, err := strconv.Atoi(port)
	if err == nil {
		port = strconv.Itoa(number)
	}
	if port == "0" {
		return ""
	}
	host = strings.TrimSuffix(strings.ToLower(host), ".")
	ip, err := netip.ParseAddr(host)
	switch {
	case host == "localhost" || host == "" || err == nil && ip.Unmap() == netip.IPv6Loopback() || err == nil && ip.IsUnspecified():
		host = "127.0.0.1"
	case err == nil:
		host = ip.Unmap().String()
	}
	return "tcp " + net.JoinHostPort(host, port)
}

// reason is an error of the file system without the path, which stands before it
// already.
func reason(err error) error {
	if p := new(fs.PathError); errors.As(err, &p) {
		return p.Err
	}
	return err
}
