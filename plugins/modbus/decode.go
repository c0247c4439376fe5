package modbus

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Types of value, and how many 16-bit registers each takes.
var widths = map[string]int{
	"int16": 1, "uint16": 1,
	"int32": 2, "uint32": 2, "float32": 2,
	"int64": 4, "uint64": 4, "float64": 4,
}

var types = []string{"int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"}

// Orders in which the bytes of a value stand in its registers, A being the
// highest byte of a 32-bit value. The Modbus specification fixes the order within
// a register (high byte first) and leaves the order of registers open; devices do
// all four. For 64 bits the same two swaps apply: CDAB turns the order of the
// registers round, BADC the bytes within each, DCBA both. For 16 bits only the
// swap within the register is left.
var orders = []string{"ABCD", "CDAB", "BADC", "DCBA"}

// decode reads a value from the bytes of its registers as they came off the wire.
// It returns the number, and its 64-bit pattern as an unsigned number, high byte
// first, in the low bytes of bits. A 64-bit integer beyond 2⁵³ is rounded to the
// nearest float64; its registers stay readable as text.
func decode(kind, order string, wire []byte) (value float64, bits uint64) {
	var b [8]byte
	n := copy(b[:], wire)
	arrange(b[:n], order)
	switch n {
	case 2:
		bits = uint64(binary.BigEndian.Uint16(b[:]))
	case 4:
		bits = uint64(binary.BigEndian.Uint32(b[:]))
	case 8:
		bits = binary.BigEndian.Uint64(b[:])
	}
	switch kind {
	case "int16":
		value = float64(int16(bits))
	case "int32":
		value = float64(int32(bits))
	case "int64":
		value = float64(int64(bits))
	case "float32":
		value = float64(math.Float32frombits(uint32(bits)))
	case "float64":
		value = math.Float64frombits(bits)
	default:
		value = float64(bits)
	}
	return value, bits
}

// arrange puts bytes in an order into high byte first. It is its own inverse.
func arrange(b []byte, order string) {
	if order == "CDAB" || order == "DCBA" {
		for i, j := 0, len(b)-2; i < j; i, j = i+2, j-2 {
			b[i], b[j] = b[j], b[i]
			b[i+1], b[j+1] = b[j+1], b[i+1]
		}
	}
	if order == "BADC" || order == "DCBA" {
		for i := 0; i+1 < len(b); i += 2 {
			b[i], b[i+1] = b[i+1], b[i]
		}
	}
}

// hexadecimal writes registers as they came, one group of four digits each.
func hexadecimal(wire []byte) string {
	out := make([]byte, 0, len(wire)*5/2)
	for i := 0; i+1 < len(wire); i += 2 {
		if i > 0 {
			out = append(out, ' ')
		}
		out = hex.AppendEncode(out, wire[i:i+2])
	}
	return strings.ToUpper(string(out))
}

// result is what a register says.
type result struct {
	value  float64 // scaled; NaN if broken
	text   string
	broken bool
}

// read makes a result of the bytes of a register.
func (r *register) read(wire []byte) result {
	value, bits := decode(r.kind, r.order, wire)
	out := result{value: value*r.scale + r.offset, text: hexadecimal(wire)}
	out.broken = math.IsNaN(value) || math.IsInf(value, 0) ||
		slices.Contains(r.brokenValues, value) || slices.Contains(r.brokenBits, bits)
	if out.broken {
		out.value = math.NaN()
	}
	return out
}

func (r *register) String() string {
	last := r.address + r.width() - 1
	if last == r.address {
		return fmt.Sprintf("%s %d", r.table, r.address)
	}
	return fmt.Sprintf("%s %d–%d", r.table, r.address, last)
}
