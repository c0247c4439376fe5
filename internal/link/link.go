// Package link reads how an instrument is reached, and opens the way to it: a
// TCP or Unix socket, or a serial line.
package link

import (
	"context"
	"fmt"
	"io"
	"net"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.bug.st/serial"

	"github.com/evenbench/evenbench/internal/document"
)

// Kinds of link, as the key in a lab file that names each.
const (
	TCP    = "tcp"
	Unix   = "unix"
	Serial = "serial"
	// RTU is a serial line that carries Modbus RTU.
	RTU = "rtu"
)

// dialTimeout is how long a connection may take to be made. An instrument is on
// the same bench or in the same building: what has not answered by then will not.
const dialTimeout = 5 * time.Second

// Link is the way to one device.
type Link struct {
	// Kind is one of the constants above.
	Kind string
	// Address is host:port for TCP, else a path.
	Address string
	// Line is how a serial line is set; unused for sockets.
	Line Line
}

// Line is how a serial line is set.
type Line struct {
	// Baud is in bits per second.
	Baud int
	// Bits of one character, 5 to 8.
	Bits int
	// Parity is "none", "even" or "odd".
	Parity string
	// Stop bits, 1 or 2.
	Stop int
}

// Read reads a link section that may be of the kinds given, and records what is
// wrong with it. A serial line that says nothing else is 9600 8N1, which is what
// most instruments leave the factory with (common practice).
func Read(n *document.Node, kinds ...string) Link {
	var l Link
	for _, kind := range kinds {
		f := n.Field(kind)
		switch {
		case f == nil:
		case l.Kind != "":
			f.Problem("a link has one end: remove %s or %s", l.Kind, kind)
		default:
			l.Kind, l.Address = kind, f.Text("")
			l.checkAddress(f)
		}
	}
	switch l.Kind {
	case "":
		if n.Kind() == document.Map {
			n.Problem("says no way to the device: write one of %s", strings.Join(kinds, ", "))
		}
	case Serial, RTU:
		l.Line = Line{
			Baud:   n.Field("baud").Int(9600, 50, 4_000_000),
			Bits:   n.Field("bits").Int(8, 5, 8),
			Parity: n.Field("parity").OneOf("none", "even", "odd"),
			Stop:   n.Field("stop").Int(1, 1, 2),
		}
		if l.Kind == RTU && l.Line.Bits != 8 {
			n.Field("bits").Problem("Modbus RTU needs 8 bits")
		}
	}
	return l
}

func (l Link) checkAddress(n *document.Node) {
	if l.Address == "" {
		if n.Kind() == document.Text { // anything else has been refused
			n.Problem("is empty")
		}
		return
	}
	if l.Kind != TCP {
		return
	}
	host, port, err := net.SplitHostPort(l.Address)
	if err != nil || host == "" || port == "" {
		n.Problem("%q is no address: write host:port, such as 192.168.1.20:4001", l.Address)
	}
}

// Port names the physical end of the link: two instruments whose ports are equal
// would read each other's bytes. Symbolic links to one serial line are one port.
func (l Link) Port() string {
	if l.Kind == TCP {
		return TCP + " " + strings.ToLower(l.Address)
	}
	path := l.Address
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	return filepath.Clean(path)
}

func (l Link) String() string {
	switch l.Kind {
	case Serial, RTU:
		parity := strings.ToUpper(l.Line.Parity[:1])
		return fmt.Sprintf("%s %s (%d %d%s%d)", l.Kind, l.Address, l.Line.Baud, l.Line.Bits, parity, l.Line.Stop)
	}
	return l.Kind + " " + l.Address
}

// Open opens the link. Closing what it returns ends a Read that waits. A Tap in ctx
// sees what passes.
func (l Link) Open(ctx context.Context) (io.ReadWriteCloser, error) {
	conn, err := l.open(ctx)
	if tap := tapOf(ctx); tap != nil && err == nil {
		return &tapped{conn, tap}, nil
	}
	return conn, err
}

func (l Link) open(ctx context.Context) (io.ReadWriteCloser, error) {
	switch l.Kind {
	case TCP, Unix:
		d := net.Dialer{Timeout: dialTimeout}
		c, err := d.DialContext(ctx, l.Kind, l.Address)
		if err != nil {
			return nil, fmt.Errorf("connect to %v: %w", l, err)
		}
		return c, nil
	case Serial, RTU:
		p, err := serial.Open(l.Address, l.Line.mode())
		if err != nil {
			return nil, fmt.Errorf("open %v: %w", l, err)
		}
		return p, nil
	}
	return nil, fmt.Errorf("open link: kind %q is not known", l.Kind)
}

func (l Line) mode() *serial.Mode {
	m := &serial.Mode{BaudRate: l.Baud, DataBits: l.Bits, StopBits: serial.OneStopBit}
	if l.Stop == 2 {
		m.StopBits = serial.TwoStopBits
	}
	switch l.Parity {
	case "even":
		m.Parity = serial.EvenParity
	case "odd":
		m.Parity = serial.OddParity
	}
	return m
}

// Parse reads a link as it is written on a command line, into the form that it
// has in a lab file: the kind, the address, and how a serial line is set.
//
//	tcp:192.168.1.20:4001
//	unix:/run/meter.sock
//	serial:/dev/ttyUSB0,baud=19200,parity=even
//	rtu:/dev/ttyUSB0,baud=19200
func Parse(text string) (map[string]any, error) {
	const how = "write tcp:HOST:PORT, unix:PATH, serial:DEVICE or rtu:DEVICE, a line with its settings behind it, such as serial:/dev/ttyUSB0,baud=9600"
	parts := strings.Split(text, ",")
	kind, address, ok := strings.Cut(parts[0], ":")
	if !ok || !slices.Contains([]string{TCP, Unix, Serial, RTU}, kind) || address == "" {
		return nil, fmt.Errorf("read link %q: %s", text, how)
	}
	out := map[string]any{kind: address}
	for _, p := range parts[1:] {
		key, value, ok := strings.Cut(p, "=")
		if !ok {
			return nil, fmt.Errorf("read link %q: %q is no setting; %s", text, p, how)
		}
		if n, err := strconv.ParseFloat(value, 64); err == nil {
			out[key] = n
		} else {
			out[key] = value
		}
	}
	return out, nil
}
