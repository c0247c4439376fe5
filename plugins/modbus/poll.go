package modbus

import (
	"cmp"
	"fmt"
	"slices"
	"time"
)

// block is registers that lie side by side and are read in one request. A value
// that takes several registers is thereby never torn between two requests.
type block struct {
	unit           int
	table          string
	address, count int
	every          time.Duration
	registers      []*register
}

// blocks groups registers into as few requests as can be made without reading an
// address that the sheet does not name: some devices refuse a request that
// touches a hole.
func (s *Sheet) blocks() []block {
	sorted := make([]*register, len(s.registers))
	for i := range s.registers {
		sorted[i] = &s.registers[i]
	}
	slices.SortStableFunc(sorted, func(a, b *register) int {
		return cmp.Or(cmp.Compare(a.every, b.every), cmp.Compare(a.unit, b.unit),
			cmp.Compare(a.table, b.table), cmp.Compare(a.address, b.address))
	})
	var out []block
	for _, r := range sorted {
		if len(out) > 0 && out[len(out)-1].extend(r) {
			continue
		}
		out = append(out, block{r.unit, r.table, r.address, r.width(), r.every, []*register{r}})
	}
	return out
}

// extend adds a register that begins where the block ends.
func (b *block) extend(r *register) bool {
	if r.every != b.every || r.unit != b.unit || r.table != b.table ||
		r.address != b.address+b.count || b.count+r.width() > mostRegisters {
		return false
	}
	b.count += r.width()
	b.registers = append(b.registers, r)
	return true
}

// of returns the bytes of a register in the bytes of the block.
func (b *block) of(r *register, wire []byte) []byte {
	from := 2 * (r.address - b.address)
	return wire[from : from+2*r.width()]
}

func (b *block) String() string {
	return fmt.Sprintf("%s registers %d–%d of unit %d", b.table, b.address, b.address+b.count-1, b.unit)
}
