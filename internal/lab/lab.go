// Package lab reads the lab file: which stations a lab has, and which
// instruments stand on them, each with its sheet, its link and its corrections.
package lab

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"slices"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/access"
	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/normalize"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Lab is a lab file that has been read and found to be right.
type Lab struct {
	Name string
	// Digest is the SHA-256 of the file, hexadecimal.
	Digest string
	// Data is the folder of the hub's data, absolute.
	Data string
	// Store is where the record is kept instead of in Data; nil: it is there.
	Store *ledger.Cluster
	// Centre is where the record is copied to; nil: nowhere.
	Centre *ledger.Cluster
	Listen Listen
	// Access is whom the hub knows; nil: it serves this machine alone, and asks for
	// no credentials.
	Access *access.Policy
	// Stations and Instruments in the order of the file.
	Stations    []*pb.Station
	Instruments []*Instrument
	// Criteria by which samples and roasts are judged, in the order of the file.
	Criteria []*pb.Criteria
	// Parity is what it takes for two roasts to be alike; nil: the file does not say.
	Parity *pb.ParityTerms
	// Decisions are the rules by which decisions are recommended, in the order of the file.
	Decisions []*pb.DecisionRule
}

// Listen says where the hub serves: host:port, on loopback where there is no access
// section.
type Listen struct {
	GRPC, HTTP string
}

// Instrument is one device of the lab.
type Instrument struct {
	Name    string
	Station string
	// Driver is the name of the driver, as its sheet has it.
	Driver string
	// Executable is the absolute path of a driver that is not the hub's own, with
	// the Arguments to start it with; empty for the hub's own.
	Executable string
	Arguments  []string
	// Digest that the executable must have, as sha256:…; empty: any. Left out of a
	// fingerprint that has none, which is then as it was before there were any.
	Pin   string `json:",omitempty"`
	Sheet *sheet.Sheet
	// Link as its YAML reads; nil if none is needed.
	Link map[string]any
	// Identity that the device must state; empty: any.
	Identity string
	// Channels in the order of the sheet, complete: as they are recorded, and
	// with what it takes to normalize them.
	Channels []normalize.Channel
	// Checks that are asked for. No run depends on them.
	Checks []ChannelCheck `json:"-"`
}

// Instrument returns the instrument of a name; nil if there is none.
func (l *Lab) Instrument(name string) *Instrument {
	i := slices.IndexFunc(l.Instruments, func(i *Instrument) bool { return i.Name == name })
	if i < 0 {
		return nil
	}
	return l.Instruments[i]
}

// Station returns the station of a name; nil if there is none.
func (l *Lab) Station(name string) *pb.Station {
	i := slices.IndexFunc(l.Stations, func(s *pb.Station) bool { return s.GetName() == name })
	if i < 0 {
		return nil
	}
	return l.Stations[i]
}

// Descriptions returns the channels as they are recorded.
func (i *Instrument) Descriptions() []*pb.Channel {
	out := make([]*pb.Channel, len(i.Channels))
	for k := range i.Channels {
		out[k] = i.Channels[k].Channel
	}
	return out
}

// Fingerprint is equal for two readings of a lab file if the instrument is the
// same in both, in everything that its run depends on.
func (i *Instrument) Fingerprint() string {
	plain := *i
	plain.Sheet, plain.Channels = nil, nil
	parts := []any{plain, i.Sheet.Digest}
	for _, c := range i.Channels {
		// A description has no maps, so that its bytes are the same each time.
		description, err := proto.MarshalOptions{Deterministic: true}.Marshal(c.Channel)
		if err != nil {
			panic(err) // a message made in this package
		}
		c.Channel = nil
		parts = append(parts, description, c)
	}
	text, err := json.Marshal(parts)
	if err != nil {
		panic(err) // only plain values
	}
	digest := sha256.Sum256(text)
	return hex.EncodeToString(digest[:])
}
