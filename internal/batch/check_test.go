package batch

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func valid() *pb.ReadingBatch {
	return &pb.ReadingBatch{
		FirstNumber: 7, Count: 3, Start: timestamppb.New(time.Unix(1_800_000_000, 0)),
		Series: []*pb.Series{
			{Channel: "bean", Row: []uint32{0, 2}, AfterUs: []int32{0, 20}, DeviceValue: []float64{1, 2}, DeviceText: []string{"1", "2"}},
			{Channel: "air", Row: []uint32{1}, AfterUs: []int32{-10}, DeviceValue: []float64{3}},
		},
	}
}

var checkedChannels = []*pb.Channel{{Name: "bean"}, {Name: "air"}}

func TestCheck(t *testing.T) {
	if err := NewChecker(checkedChannels).Check(valid()); err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string]func(*pb.ReadingBatch){
		"no numbers":          func(b *pb.ReadingBatch) { b.FirstNumber = 0 },
		"no readings":         func(b *pb.ReadingBatch) { b.Count = 0 },
		"count too large":     func(b *pb.ReadingBatch) { b.Count = 4_000_000_000 },
		"count too small":     func(b *pb.ReadingBatch) { b.Count = 2 },
		"no start":            func(b *pb.ReadingBatch) { b.Start = nil },
		"start in no year":    func(b *pb.ReadingBatch) { b.Start.Seconds = 1 << 60 },
		"numbers overflow":    func(b *pb.ReadingBatch) { b.FirstNumber = 1<<64 - 2 },
		"row twice":           func(b *pb.ReadingBatch) { b.Series[1].Row[0] = 2 },
		"row outside":         func(b *pb.ReadingBatch) { b.Series[1].Row[0] = 3 },
		"times missing":       func(b *pb.ReadingBatch) { b.Series[0].AfterUs = nil },
		"values missing":      func(b *pb.ReadingBatch) { b.Series[0].DeviceValue = []float64{1} },
		"texts missing":       func(b *pb.ReadingBatch) { b.Series[0].DeviceText = []string{"1"} },
		"decimals and texts":  func(b *pb.ReadingBatch) { b.Series[0].DeviceDecimals = proto.Uint32(0) },
		"too many decimals":   func(b *pb.ReadingBatch) { b.Series[1].DeviceDecimals = proto.Uint32(16) },
		"decimals of nothing": func(b *pb.ReadingBatch) { b.Series[1].DeviceValue, b.Series[1].DeviceDecimals = nil, proto.Uint32(1) },
		"statuses missing":    func(b *pb.ReadingBatch) { b.Series[0].DeviceStatus = []string{"S"} },
		"device times":        func(b *pb.ReadingBatch) { b.Series[0].DeviceTime = []string{"12:00"} },
		"unknown channel":     func(b *pb.ReadingBatch) { b.Series[0].Channel = "mass" },
		"hub's values":        func(b *pb.ReadingBatch) { b.Series[0].Value = []float64{1, 2} },
		"hub's uncertainty":   func(b *pb.ReadingBatch) { b.Series[0].StandardUncertainty = []float64{1} },
		"hub's remarks":       func(b *pb.ReadingBatch) { b.Series[0].Remarks = []*pb.Remark{{}} },
		"hub's bindings":      func(b *pb.ReadingBatch) { b.Bindings = []*pb.Binding{{}} },
	} {
		b := valid()
		spoil(b)
		if NewChecker(checkedChannels).Check(b) == nil {
			t.Errorf("%s: not found", name)
		}
	}
}

// FuzzCheck: what passes the check can be read without a second look.
func FuzzCheck(f *testing.F) {
	seed, err := proto.Marshal(valid())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(seed)
	f.Fuzz(func(t *testing.T, bytes []byte) {
		b := &pb.ReadingBatch{}
		if proto.Unmarshal(bytes, b) != nil || NewChecker(checkedChannels).Check(b) != nil {
			return
		}
		numbers := map[uint64]bool{}
		for row := range b.Rows() {
			numbers[row.Number] = true
			_ = row.Series.AfterUs[row.Index]
		}
		if len(numbers) != int(b.Count) || !numbers[b.FirstNumber] || !numbers[b.Last()] {
			t.Errorf("%d numbers in a batch of %d", len(numbers), b.Count)
		}
	})
}
