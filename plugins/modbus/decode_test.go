package modbus

import (
	"encoding/binary"
	"encoding/hex"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The bytes of each value are those of IEEE 754 and of two's complement: 123.456
// is 42 F6 E9 79 as binary32 (worked example in the Wikipedia article on
// single-precision, from memory), and the integers are their own digits. That the
// orders are named as other programs name them is checked in internal/peers.
func TestDecode(t *testing.T) {
	for _, c := range []struct {
		kind, order, wire string
		want              float64
	}{
		{"uint16", "ABCD", "1234", 0x1234},
		{"uint16", "CDAB", "1234", 0x1234},
		{"uint16", "BADC", "1234", 0x3412},
		{"uint16", "DCBA", "1234", 0x3412},
		{"int16", "ABCD", "FFFE", -2},
		{"int16", "BADC", "FEFF", -2},
		{"uint32", "ABCD", "1234 5678", 0x12345678},
		{"uint32", "CDAB", "1234 5678", 0x56781234},
		{"uint32", "BADC", "1234 5678", 0x34127856},
		{"uint32", "DCBA", "1234 5678", 0x78563412},
		{"int32", "ABCD", "FFFF FFFE", -2},
		{"int32", "CDAB", "FFFE FFFF", -2},
		{"float32", "ABCD", "42F6 E979", float64(float32(123.456))},
		{"float32", "CDAB", "E979 42F6", float64(float32(123.456))},
		{"float32", "BADC", "F642 79E9", float64(float32(123.456))},
		{"float32", "DCBA", "79E9 F642", float64(float32(123.456))},
		{"uint64", "ABCD", "0001 0203 0405 0607", 0x0001020304050607},
		{"uint64", "CDAB", "0607 0405 0203 0001", 0x0001020304050607},
		{"uint64", "BADC", "0100 0302 0504 0706", 0x0001020304050607},
		{"uint64", "DCBA", "0706 0504 0302 0100", 0x0001020304050607},
		{"int64", "ABCD", "FFFF FFFF FFFF FFFE", -2},
		{"float64", "ABCD", "BFF8 0000 0000 0000", -1.5},
		{"float64", "DCBA", "0000 0000 0000 F8BF", -1.5},
	} {
		wire := registersOf(t, c.wire)
		if got, _ := decode(c.kind, c.order, wire); got != c.want {
			t.Errorf("%s %s %s: got %v, want %v", c.kind, c.order, c.wire, got, c.want)
		}
		if got := hexadecimal(wire); got != c.wire {
			t.Errorf("text of %s: got %s", c.wire, got)
		}
	}
}

func registersOf(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Whatever is written in an order is read back in it.
func TestDecodeReadsWhatWasWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kind := rapid.SampledFrom(types).Draw(t, "type")
		order := rapid.SampledFrom(orders).Draw(t, "order")
		bits := rapid.Uint64().Draw(t, "bits") >> (64 - 16*widths[kind])
		wire := binary.BigEndian.AppendUint64(nil, bits)[8-2*widths[kind]:]
		plain, _ := decode(kind, "ABCD", wire)
		arrange(wire, order)
		got, gotBits := decode(kind, order, wire)
		if gotBits != bits || got != plain && !(math.IsNaN(got) && math.IsNaN(plain)) {
			t.Fatalf("%s %s: %x became %x, %v became %v", kind, order, bits, gotBits, plain, got)
		}
	})
}

func TestRead(t *testing.T) {
	tenths := register{kind: "int16", order: "ABCD", scale: 0.1, offset: -5, brokenBits: []uint64{0x7FFF}, brokenValues: []float64{-1}}
	single := register{kind: "float32", order: "ABCD", scale: 1}
	for _, c := range []struct {
		register register
		wire     string
		want     float64
		broken   bool
	}{
		{tenths, "07F2", 198.4, false},
		{tenths, "FFCE", -10, false},
		{tenths, "7FFF", math.NaN(), true},
		{tenths, "FFFF", math.NaN(), true},
		{single, "7FC0 0000", math.NaN(), true},
		{single, "7F80 0000", math.NaN(), true}, // +Inf
	} {
		got := c.register.read(registersOf(t, c.wire))
		same := math.Abs(got.value-c.want) < 1e-9 || math.IsNaN(got.value) && math.IsNaN(c.want)
		if !same || got.broken != c.broken || got.text != c.wire {
			t.Errorf("%s: got %+v, want %v, broken %v", c.wire, got, c.want, c.broken)
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte{0x42, 0xf6, 0xe9, 0x79}, uint8(6), uint8(0))
	f.Add([]byte{0x7f, 0xff}, uint8(0), uint8(2))
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8}, uint8(7), uint8(3))
	f.Fuzz(func(t *testing.T, wire []byte, kind, order uint8) {
		r := register{kind: types[int(kind)%len(types)], order: orders[int(order)%len(orders)], scale: 1}
		if len(wire) < 2*r.width() {
			return
		}
		wire = wire[:2*r.width()]
		before := string(wire)
		got := r.read(wire)
		if string(wire) != before {
			t.Fatal("the registers were changed")
		}
		if math.IsInf(got.value, 0) || math.IsNaN(got.value) != got.broken {
			t.Fatalf("got %+v", got)
		}
		if len(got.text) != 5*r.width()-1 {
			t.Fatalf("text %q", got.text)
		}
	})
}

func TestBlocks(t *testing.T) {
	s := &Sheet{}
	add := func(table string, address int, kind string, every time.Duration) {
		s.registers = append(s.registers, register{table: table, address: address, kind: kind, unit: 1, every: every})
	}
	add(input, 4, "float32", time.Second)
	add(input, 0, "int16", time.Second)
	add(input, 1, "int16", time.Second)
	add(input, 2, "float32", time.Second)
	add(input, 7, "int16", time.Second) // a hole at 6
	add(input, 8, "int16", time.Minute) // less often
	add(holding, 6, "int16", time.Second)
	var got []string
	for _, b := range s.blocks() {
		got = append(got, b.String())
	}
	want := "holding registers 6–6 of unit 1; input registers 0–5 of unit 1; input registers 7–7 of unit 1; input registers 8–8 of unit 1"
	if strings.Join(got, "; ") != want {
		t.Errorf("got %v", got)
	}
	long := &Sheet{}
	for i := range 50 {
		long.registers = append(long.registers, register{table: input, address: 4 * i, kind: "float64", unit: 1})
	}
	for _, b := range long.blocks() {
		if b.count > mostRegisters {
			t.Errorf("%v asks for %d registers", &b, b.count)
		}
	}
}
