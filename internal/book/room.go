package book

import (
	"cmp"
	"math"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// breathe keeps the latest reading of the room's air.
func (ch *channel) breathe(r *run, row pb.Row) {
	quality, _ := row.Quality()
	if ch.pb.GetKind() != pb.ChannelKind_CHANNEL_KIND_CONTINUOUS || quality == pb.Quality_QUALITY_BAD || math.IsNaN(row.Value) {
		return
	}
	if ch.air == nil {
		ch.air = &pb.RoomReading{Instrument: r.pb.GetInstrument(), Channel: ch.pb.GetName(), Quantity: ch.pb.GetQuantity(), Unit: row.Series.GetUnit()}
	}
	ch.air.Value, ch.air.At = row.Value, stamp(row.At)
}

// air returns what the instruments of the room read last, by instrument and in the order
// of their channels.
func (b *Book) air() []*pb.RoomReading {
	var list []*pb.RoomReading
	for _, r := range b.current {
		for _, c := range r.pb.GetChannels() {
			if ch := r.channels[c.GetName()]; !r.closed && ch.air != nil {
				list = append(list, proto.CloneOf(ch.air))
			}
		}
	}
	slices.SortStableFunc(list, func(x, y *pb.RoomReading) int { return cmp.Compare(x.GetInstrument(), y.GetInstrument()) })
	return list
}
