package mqtt

import (
	"fmt"
	"net"
	"sync"
	"time"
)

const (
	// mostPacket is how large a packet of the broker may be, in bytes. The broker is
	// told so, and drops what is larger; one that does not is hung up on, for the
	// client would make room for whatever length a packet claims.
	mostPacket = 1 << 20
	// writeTimeout ends a write to a broker that takes nothing any more.
	writeTimeout = 10 * time.Second
)

// stream is the connection to a broker. It reads along, and ends the connection
// where a packet claims to be too large.
type stream struct {
	net.Conn
	packets packets
	writing sync.Mutex
}

func (s *stream) Read(b []byte) (int, error) {
	n, err := s.Conn.Read(b)
	if bad := s.packets.pass(b[:n]); bad != nil {
		return 0, bad
	}
	return n, err
}

// Write may be called from any goroutine: a write to TLS alone could be torn.
func (s *stream) Write(b []byte) (int, error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.Conn.SetWriteDeadline(time.Now().Add(writeTimeout)); err != nil {
		return 0, err
	}
	return s.Conn.Write(b)
}

// packets follows the packets of a stream: each has a byte for its kind, its length
// in one to four bytes of seven bits, the lowest first (MQTT 5.0, 1.5.5 and 2.1),
// and that many bytes.
type packets struct {
	left   int // bytes of the packet that are still to come
	length int // as far as it is known
	digits int // bytes of the length so far; the byte before them has come
	inside bool
}

// pass takes what has come, and returns an error for a packet that is too large.
func (p *packets) pass(b []byte) error {
	for len(b) > 0 {
		switch {
		case p.left > 0:
			n := min(p.left, len(b))
			p.left -= n
			b = b[n:]
		case !p.inside:
			p.inside, p.length, p.digits = true, 0, 0
			b = b[1:]
		default:
			p.length |= int(b[0]&0x7f) << (7 * p.digits)
			p.digits++
			if p.length > mostPacket || b[0] >= 0x80 && p.digits == 4 {
				return fmt.Errorf("the broker sent a packet of more than %d bytes", mostPacket)
			}
			if b[0] < 0x80 {
				p.inside, p.left = false, p.length
			}
			b = b[1:]
		}
	}
	return nil
}
