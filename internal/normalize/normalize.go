package normalize

import (
	"math"
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/units"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Normalizer normalizes the batches of one run, in their order. It is used from
// one goroutine.
type Normalizer struct {
	channels map[string]*track
	// reasons are the lists that remarks share, by the set of reasons.
	reasons map[reasonSet][]pb.QualityReason
	// junctions are the channels that measure cold junctions.
	junctions []*terminals
	// device is whose readings they are.
	device Device
	// covered is room for Validate, one bit a reading.
	covered []uint64
}

// Device says whether the device that answers is the instrument's.
type Device int

// Own is the instrument's device, or nobody knows better; Unidentified has not said
// yet what it is, and Foreign is another.
const (
	Own Device = iota
	Unidentified
	Foreign
)

// Answers says which device the batches after it are of. The values of a foreign one
// are kept as it said them and are not normalized: neither the sheet nor the
// calibration is known to be its own.
func (n *Normalizer) Answers(d Device) { n.device = d }

// New returns a Normalizer for a run that begins.
func New(channels []Channel) *Normalizer {
	n := &Normalizer{
		channels: make(map[string]*track, len(channels)),
		reasons:  map[reasonSet][]pb.QualityReason{},
	}
	for i := range channels {
		n.channels[channels[i].GetName()] = newTrack(&channels[i])
	}
	for _, t := range n.channels {
		n.joinJunction(t)
	}
	return n
}

// joinJunction finds the channel that measures the cold junction of a thermocouple. One
// that is not there is never heard.
func (n *Normalizer) joinJunction(t *track) {
	if t.Thermocouple == nil || t.Thermocouple.Junction == "" {
		return
	}
	at := n.channels[t.Thermocouple.Junction]
	switch {
	case at == nil || at.Thermocouple != nil:
		t.junction = &terminals{}
		return
	case at.serves == nil:
		at.serves = &terminals{cadence: at.cadence}
		n.junctions = append(n.junctions, at.serves)
	}
	t.junction = at.serves
}

// Batch fills the hub's columns of a batch that Validate has passed, in place;
// whatever a driver wrote there is replaced. With clockStepped the wall clock was
// stepped between this batch and the one before.
func (n *Normalizer) Batch(b *pb.ReadingBatch, clockStepped bool) {
	b.Bindings = nil
	if clockStepped {
		for _, t := range n.channels {
			t.stepped = true
		}
	}
	n.those(b, func(t *track) bool { return t.serves != nil })
	n.those(b, func(t *track) bool { return t.serves == nil })
	n.settle()
}

// those normalizes the series of some channels: cold junctions come before what is
// made with them.
func (n *Normalizer) those(b *pb.ReadingBatch, are func(*track) bool) {
	for _, s := range b.GetSeries() {
		t := n.channels[s.GetChannel()]
		if t == nil || !are(t) {
			continue
		}
		n.series(b, s, t)
		if t.serves != nil {
			t.serves.take(b, s)
		}
	}
}

func (n *Normalizer) settle() {
	for _, j := range n.junctions {
		j.settle()
	}
}

// Recall takes note of a batch that was normalized earlier, when a hub takes up a
// run where another one left it: what is judged against the readings before it
// (settling, cadence, rate) is then judged as if nothing had happened.
func (n *Normalizer) Recall(b *pb.ReadingBatch) {
	for _, s := range b.GetSeries() {
		t := n.channels[s.GetChannel()]
		if t == nil {
			continue
		}
		for i, us := range s.GetAfterUs() {
			v := math.NaN()
			if i < len(s.GetValue()) {
				v = s.GetValue()[i]
			}
			t.follow(b.GetStartElapsedUs()+int64(us), v)
		}
		if t.serves != nil {
			t.serves.take(b, s)
		}
	}
	n.settle()
}

func (n *Normalizer) series(b *pb.ReadingBatch, s *pb.Series, t *track) {
	c := t.Channel
	s.Quantity, s.Basis, s.Unit = c.GetQuantity(), c.GetBasis(), c.GetUnit()
	s.Value, s.StandardUncertainty, s.Remarks, s.Calibration = nil, nil, nil, ""
	t.use(b.GetStart().AsTime())
	if s.DeviceUnit == "" {
		s.DeviceUnit = c.GetDeviceUnit()
	}
	code := c.GetKind() == pb.ChannelKind_CHANNEL_KIND_CODE
	if code {
		s.PutBackTexts() // a code is a text, whatever it looks like
		s.DeviceValue = nil
	}
	if n.device == Foreign {
		n.void(b, s, t, wrongDevice)
		return
	}
	if code {
		n.remark(b, s, t, column{}, nil)
		return
	}
	s.LeaveOutTexts()
	way, err := t.way(s.DeviceUnit)
	if err != nil {
		n.void(b, s, t, unitMismatch)
		return
	}
	var col column
	var said []reasonSet // of the rows, before they are judged
	if t.Thermocouple != nil {
		col, s.StandardUncertainty, said = t.temperatures(b, s, way)
	} else if col = convert(s.DeviceValue, way); t.uncertainty > 0 {
		s.StandardUncertainty = []float64{t.uncertainty}
	}
	if t.recorded != nil {
		col, said = t.correct(s, col, said)
	}
	col = n.remark(b, s, t, col, said)
	s.Value = col.values
	if col.shared || col.equal(s.DeviceValue) {
		s.DeviceValue = nil
	}
	if t.recorded == nil && c.Calibration != nil {
		s.Calibration = c.Calibration.ID
	}
}

// void fills a series of which there are no values, for a reason that concerns all of
// it: there is none that could be had without guessing.
func (n *Normalizer) void(b *pb.ReadingBatch, s *pb.Series, t *track, why reasonSet) {
	if t.GetKind() != pb.ChannelKind_CHANNEL_KIND_CODE {
		s.Value = make([]float64, len(s.Row))
	}
	for i := range s.Row {
		if s.Value != nil {
			s.Value[i] = math.NaN()
		}
		set := t.follow(b.GetStartElapsedUs()+int64(s.AfterUs[i]), math.NaN()) & (stale | clockStep)
		n.add(s, i, set|why)
	}
}

// column is the normalized values of a series.
type column struct {
	values []float64
	// shared: values are the device's own column, which must not be written.
	shared bool
}

func convert(device []float64, way units.Linear) column {
	if way == units.Same {
		return column{device, true}
	}
	values := make([]float64, len(device))
	for i, x := range device {
		values[i] = way.Slope*x + way.Offset
	}
	return column{values, false}
}

// void takes away the value of a reading that has none.
func (c column) void(i int) column {
	if c.shared {
		c = column{slices.Clone(c.values), false}
	}
	c.values[i] = math.NaN()
	return c
}

func (c column) equal(device []float64) bool {
	return slices.EqualFunc(c.values, device, func(a, b float64) bool {
		return math.Float64bits(a) == math.Float64bits(b) || a != a && b != b
	})
}

// remark judges every reading of a series and returns the column without the
// values that are none. What was said of rows before is part of it; nil: nothing.
func (n *Normalizer) remark(b *pb.ReadingBatch, s *pb.Series, t *track, col column, said []reasonSet) column {
	base := b.GetStartElapsedUs()
	expires := t.expires(b.GetStart().AsTime())
	text, status, device := s.DeviceText, s.DeviceStatus, s.DeviceValue
	code := t.GetKind() == pb.ChannelKind_CHANNEL_KIND_CODE
	for i, after := range s.AfterUs {
		set := t.standing
		if len(status) != 0 && status[i] != "" {
			set |= t.statusReasons(status[i])
		}
		old := set&stale != 0
		if said != nil {
			set |= said[i]
		}
		if t.mayBreak && t.isBroken(text, device, i) {
			set |= sensorBreak
		}
		v := math.NaN()
		switch {
		case code:
			if text[i] == "" {
				set |= unreadable
			}
		case set&sensorBreak != 0:
			col = col.void(i)
		case col.values[i]-col.values[i] != 0: // NaN or infinite
			if set&bad == 0 {
				set |= unreadable // for no reason that is known
			}
			col = col.void(i)
		default:
			v = col.values[i]
			if v < t.low || v > t.high {
				set |= outOfRange
			}
		}
		// What is from before says nothing of how fast the quantity changes now.
		if !old {
			set |= t.follow(base+int64(after), v)
		}
		if int64(after) >= expires {
			set |= calibrationExpired
		}
		if n.device == Unidentified {
			set |= unidentified
		}
		if set != 0 {
			n.add(s, i, set)
		}
	}
	return col
}

// add records a remark.
func (n *Normalizer) add(s *pb.Series, i int, set reasonSet) {
	reasons, ok := n.reasons[set]
	if !ok {
		reasons = set.list()
		n.reasons[set] = reasons
	}
	s.Remarks = append(s.Remarks, &pb.Remark{Index: uint32(i), Quality: set.quality(), Reasons: reasons})
}

// expires is how long after start the calibration ends, in microseconds.
func (t *track) expires(start time.Time) int64 {
	until := t.until()
	if until.IsZero() {
		return math.MaxInt64
	}
	return until.Sub(start).Microseconds()
}
