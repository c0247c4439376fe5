package imprint_test

import (
	"bytes"
	"errors"
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/imprint"
)

// some is one value of each kind.
type some struct {
	small  uint8
	whole  int64
	truth  bool
	number float64
	bytes  []byte
	array  [3]byte
	text   string
	at     time.Time
	told   *timestamppb.Timestamp
	list   []string
}

func (s *some) imprint(c *imprint.Coder) {
	imprint.Int(c, &s.small)
	imprint.Int(c, &s.whole)
	c.Bool(&s.truth)
	c.Float(&s.number)
	c.Bytes(&s.bytes)
	c.Array(s.array[:])
	c.Text(&s.text)
	c.Time(&s.at)
	imprint.Message(c, &s.told)
	imprint.List(c, &s.list, c.Text)
}

func write(s *some) []byte {
	var b bytes.Buffer
	c := imprint.Write(&b)
	s.imprint(c)
	if err := c.End(); err != nil {
		panic(err)
	}
	return b.Bytes()
}

// What is read is what was written, to the bit.
func TestRead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		was := &some{
			small: rapid.Uint8().Draw(t, "small"), whole: rapid.Int64().Draw(t, "whole"), truth: rapid.Bool().Draw(t, "truth"),
			number: math.Float64frombits(rapid.Uint64().Draw(t, "number")), bytes: rapid.SliceOf(rapid.Byte()).Draw(t, "bytes"),
			text: rapid.String().Draw(t, "text"), list: rapid.SliceOf(rapid.String()).Draw(t, "list"),
			at: time.Unix(rapid.Int64Range(-1<<36, 1<<36).Draw(t, "s"), rapid.Int64Range(0, 999_999_999).Draw(t, "ns")).UTC(),
		}
		if rapid.Bool().Draw(t, "told") {
			was.told = timestamppb.New(was.at)
		}
		var is some
		c := imprint.Read(write(was))
		if is.imprint(c); c.End() != nil {
			t.Fatal(c.End())
		}
		if is.small != was.small || is.whole != was.whole || is.truth != was.truth || is.at != was.at || is.text != was.text ||
			math.Float64bits(is.number) != math.Float64bits(was.number) || string(is.bytes) != string(was.bytes) ||
			len(is.list) != len(was.list) || !proto.Equal(is.told, was.told) || (is.told == nil) != (was.told == nil) {
			t.Fatalf("read %v, written %v", is, was)
		}
		if string(write(&is)) != string(write(was)) {
			t.Fatal("what was read is written in another way")
		}
	})
}

// What breaks off, or goes on, is an error.
func TestReadOfAnotherLength(t *testing.T) {
	b := write(&some{small: 3, text: "beans", list: []string{"a", ""}, told: timestamppb.New(time.Unix(7, 0))})
	for n := range b {
		c := imprint.Read(b[:n])
		if new(some).imprint(c); c.End() == nil {
			t.Errorf("%d of %d bytes are read without an error", n, len(b))
		}
	}
	c := imprint.Read(append(b, 0))
	if new(some).imprint(c); c.End() == nil {
		t.Error("a byte more is read without an error")
	}
}

// A number that is too large for its place is an error, and no other number.
func TestReadOfANumberThatDoesNotFit(t *testing.T) {
	var b bytes.Buffer
	c := imprint.Write(&b)
	large := 300
	imprint.Int(c, &large)
	if err := c.End(); err != nil {
		t.Fatal(err)
	}
	var small uint8
	r := imprint.Read(b.Bytes())
	if imprint.Int(r, &small); r.Err() == nil {
		t.Errorf("300 is read as %d", small)
	}
}

// full is a disk that takes so many bytes.
type full int

var errFull = errors.New("the disk is full")

func (f *full) Write(b []byte) (int, error) {
	if *f -= full(len(b)); *f < 0 {
		return 0, errFull
	}
	return len(b), nil
}

// What is written goes on as it comes, however much it is, and an error on the way is
// told at the end.
func TestWriteFails(t *testing.T) {
	for room, want := range map[full]error{10_000_000: nil, 1_000_000: errFull, 10: errFull} {
		c := imprint.Write(&room)
		for range 100 {
			(&some{bytes: make([]byte, 50_000)}).imprint(c)
		}
		if err := c.End(); !errors.Is(err, want) {
			t.Errorf("%v, want %v", err, want)
		}
	}
}
