package mqtt

import (
	"bytes"
	"testing"

	paho "github.com/eclipse/paho.golang/packets"
)

// packet writes a PUBLISH with a payload of so many bytes, as the client library does.
func packet(t testing.TB, size int) []byte {
	t.Helper()
	var b bytes.Buffer
	p := &paho.Publish{Topic: "air", Payload: make([]byte, size), Properties: &paho.Properties{}}
	if _, err := p.WriteTo(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestTooLargeAPacketEndsTheConnection(t *testing.T) {
	const head = 2 + 3 + 1 // topic, and no properties
	for size, good := range map[int]bool{
		0: true, 127 - head: true, 128 - head: true, 20_000: true,
		mostPacket - head: true, mostPacket - head + 1: false, 3 << 20: false,
	} {
		for _, step := range []int{1, 7, 4096, 4 << 20} {
			p := packets{}
			var err error
			for rest := append(packet(t, size), packet(t, 5)...); len(rest) > 0 && err == nil; {
				n := min(step, len(rest))
				err = p.pass(rest[:n])
				rest = rest[n:]
			}
			if (err == nil) != good {
				t.Errorf("a payload of %d bytes, in pieces of %d: %v", size, step, err)
			}
			if good && (p.left != 0 || p.inside) {
				t.Errorf("a payload of %d bytes, in pieces of %d: the end was missed, %+v", size, step, p)
			}
		}
	}
	// A length that does not end, as no broker may write it.
	if err := (&packets{}).pass([]byte{0x30, 0x80, 0x80, 0x80, 0x80}); err == nil {
		t.Error("a length of five bytes was taken")
	}
}

// Whatever comes, in whatever pieces, is judged alike, and no packet that is let
// through makes the library take more than it may.
func FuzzPackets(f *testing.F) {
	f.Add(packet(f, 10), uint8(3))
	f.Add([]byte{0x30, 0xff, 0xff, 0xff, 0x7f, 1}, uint8(1))
	f.Add([]byte{0x20, 3, 0, 0, 0, 0xd0, 0}, uint8(200))
	f.Fuzz(func(t *testing.T, b []byte, step uint8) {
		whole, pieces := packets{}, packets{}
		errWhole := whole.pass(b)
		var errPieces error
		for rest := b; len(rest) > 0 && errPieces == nil; {
			n := min(int(step)+1, len(rest))
			errPieces = pieces.pass(rest[:n])
			rest = rest[n:]
		}
		if (errWhole == nil) != (errPieces == nil) {
			t.Fatalf("in one piece: %v, in several: %v", errWhole, errPieces)
		}
		if errWhole != nil {
			return
		}
		if whole != pieces || whole.left > mostPacket {
			t.Fatalf("in one piece: %+v, in several: %+v", whole, pieces)
		}
		for r := bytes.NewReader(b); r.Len() > 0; {
			if _, err := paho.ReadPacket(r); err != nil {
				return
			}
		}
	})
}
