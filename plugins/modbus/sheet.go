package modbus

import (
	"strconv"
	"strings"
	"time"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/sheet"
)

const (
	// Tables of registers, in the specification's words.
	holding = "holding"
	input   = "input"

	defaultEvery   = time.Second
	defaultTimeout = time.Second
	// mostUnit is the highest unit id of a device on a serial line; 248 to 255
	// are reserved, and over TCP 255 means the device itself (Modbus over serial
	// line V1.02, 2.2; Modbus messaging on TCP/IP V1.0b, 4.4.2).
	mostUnit = 255
	// mostRegisters in one request (Modbus application protocol V1.1b3, 6.3).
	mostRegisters = 125
)

// Sheet is what a sheet says to this driver: which registers to read, how often,
// and what they mean.
type Sheet struct {
	channels  []sheet.Fed
	timeout   time.Duration // real time
	registers []register
}

// register is one value of the device, in one or more 16-bit registers.
type register struct {
	channel string
	unit    int // unit id of the device on the line
	table   string
	address int // of the protocol, from 0
	kind    string
	order   string
	// value = raw × scale + offset, in the channel's unit.
	scale, offset float64
	// Raw values that mean an open or shorted sensor, as numbers and as bits.
	brokenValues []float64
	brokenBits   []uint64
	every        time.Duration // in the lab's time
	// placed: table, address and type are as the sheet says, and no defaults in
	// place of mistakes.
	placed bool
}

func (r *register) width() int { return widths[r.kind] }

// Check records what is wrong with the sections of a sheet that this driver
// reads.
func Check(n *document.Node) { ReadSheet(n) }

// ReadSheet reads the sections of a sheet that this driver reads, and records
// what is wrong with them as problems of the document. The sheet may be used only
// if there are none.
func ReadSheet(n *document.Node) *Sheet {
	s := &Sheet{}
	feeds := sheet.ReadFeeds(n, "register")
	s.channels = feeds.Channels
	talk := n.Field("talk")
	unit := talk.Field("unit_id").Int(1, 0, mostUnit)
	every := talk.Field("every").Duration(defaultEvery)
	s.timeout = talk.Field("timeout").Duration(defaultTimeout)

	list := n.Require("registers", "a list of registers, each with channel, table, address and type")
	for _, item := range list.Items() {
		if item.Kind() != document.Map {
			item.Problem("must be a map with channel, table, address and type")
			continue
		}
		r := readRegister(item, unit, every, feeds)
		s.checkAgainstOthers(item, r)
		s.registers = append(s.registers, r)
	}
	if list != nil {
		feeds.End("registers")
	}
	return s
}

func readRegister(n *document.Node, unit int, every time.Duration, feeds *sheet.Feeds) register {
	at := n.Require("channel", "the name of the channel that it feeds")
	feeds.Feed(at)
	r := register{
		channel: at.Text(""),
		unit:    n.Field("unit_id").Int(unit, 0, mostUnit),
		table:   n.Require("table", "holding or input").OneOf(holding, input),
		address: n.Require("address", "the address in the protocol, from 0").Int(-1, 0, 0xffff),
		kind:    n.Require("type", "one of "+strings.Join(types, ", ")).OneOf(types...),
		order:   n.Field("order").OneOf(orders...),
		scale:   n.Field("scale").Number(1),
		offset:  n.Field("offset").Number(0),
		every:   n.Field("every").Duration(every),
	}
	r.placed = r.address >= 0 && n.Field("table").Text("") == r.table && n.Field("type").Text("") == r.kind
	if r.scale == 0 {
		n.Field("scale").Problem("0 would make every value the same: write what one step of the raw value means")
	}
	if r.address+r.width() > 0x10000 {
		n.Field("address").Problem("%d is too high: %s takes %d registers, and the last that there is has the address 65535", r.address, r.kind, r.width())
	}
	r.readBroken(n.Field("broken"))
	return r
}

// readBroken reads raw values that mean a broken sensor: numbers as the type
// reads them, before scaling, or bits as "0x7FFF".
func (r *register) readBroken(n *document.Node) {
	for _, item := range n.Items() {
		if item.Kind() == document.Number {
			// YAML has read a hexadecimal number already, as a plain number.
			v := item.Number(0)
			if strings.HasPrefix(r.kind, "float") && strings.HasPrefix(item.Text(""), "0x") {
				item.Problem("without quotes this is the number %v: write \"%s\" for the bits", v, item.Text(""))
			}
			r.brokenValues = append(r.brokenValues, v)
			if strings.HasPrefix(r.kind, "int") && v >= 0 {
				r.brokenBits = append(r.brokenBits, uint64(v))
			}
			continue
		}
		text := item.Text("")
		bits, err := strconv.ParseUint(strings.TrimPrefix(strings.ToLower(text), "0x"), 16, 16*r.width())
		if err != nil || !strings.HasPrefix(strings.ToLower(text), "0x") {
			item.Problem("%q is no raw value of %s: write a number, or bits such as \"0x%s\"", text, r.kind, strings.Repeat("7FFF", r.width()))
			continue
		}
		r.brokenBits = append(r.brokenBits, bits)
	}
}

// checkAgainstOthers finds registers that cannot both be meant.
func (s *Sheet) checkAgainstOthers(n *document.Node, r register) {
	for _, o := range s.registers {
		switch {
		case !o.placed || !r.placed: // said already
		case o.unit == r.unit && o.table == r.table && o.address < r.address+r.width() && r.address < o.address+o.width():
			n.Problem("%v overlaps %v of channel %s: mend the address or the type", &r, &o, o.channel)
		}
	}
}
