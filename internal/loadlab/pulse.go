package main

import (
	"context"
	"fmt"
	"os"
	"strconv"
	"time"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// servePulse serves a driver whose device is a clock and a made-up probe: three
// channels, read at one moment, at a rate. It is built with the SDK as any driver.
func servePulse() {
	sdk.Serve(sdk.Driver{
		Name: "pulse", Version: "1",
		Hold: sdk.Hold{Readings: 50_000_000, Bytes: 4 << 30, Time: time.Minute},
		Open: func(_ context.Context, s sdk.Settings) (sdk.Device, error) {
			rate, _ := s.Link["rate"].(float64)
			total, _ := s.Link["total"].(float64)
			number, _ := s.Link["number"].(float64)
			after, _ := s.Link["after_s"].(float64)
			gate, _ := s.Link["gate"].(string)
			if rate < 0 || rate == 0 && total == 0 {
				return nil, fmt.Errorf("link: rate %v, total %v: one must be above 0", s.Link["rate"], s.Link["total"])
			}
			return &pulse{beat{rate, int(total), time.Duration(after * float64(time.Second))}, int(number), gate}, nil
		},
	})
}

// waitsAt is a file that says that a driver stands at the gate.
func waitsAt(gate string, number int) string { return gate + "-" + strconv.Itoa(number) }

type pulse struct {
	beat   beat
	number int
	gate   string
}

func (p *pulse) Channels() []*pb.Channel {
	var list []*pb.Channel
	for _, name := range probeChannels {
		list = append(list, &pb.Channel{Name: name})
	}
	return list
}

func (p *pulse) Run(ctx context.Context, out sdk.Out) error {
	out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, "beating")
	if p.gate != "" {
		if err := os.WriteFile(waitsAt(p.gate, p.number), nil, 0o600); err != nil {
			return err
		}
	}
	if awaitGate(ctx, p.gate) != nil {
		return nil
	}
	var readings [len(probeChannels)]sdk.Reading
	err := p.beat.run(ctx, newProbe(p.number), func(at time.Time, scan [len(probeChannels)]shown) error {
		for i, v := range scan {
			readings[i] = sdk.Reading{Channel: probeChannels[i], Value: v.value, Text: v.text}
		}
		out.Readings(at, readings[:]...)
		return nil
	})
	<-ctx.Done()
	if ctx.Err() != nil {
		return nil
	}
	return err
}

func (p *pulse) Act(context.Context, sdk.Act) (string, error) { return "", sdk.ErrUnsupported }
