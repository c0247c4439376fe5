package lab

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/problem"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Options are what a lab file may refer to.
type Options struct {
	// Drivers are the hub's own.
	Drivers sheet.Drivers
	// Sheet returns a built-in sheet, SheetNames the names of all; nil: there
	// are none.
	Sheet      func(name string) ([]byte, bool)
	SheetNames []string
}

const (
	defaultGRPC = "127.0.0.1:7413"
	defaultHTTP = "127.0.0.1:7414"
	defaultData = "evenbench-data"
)

// Load reads a lab file and the sheets it names, and reports everything that is
// wrong with all of them. The lab is to be used only if there are no problems.
func Load(path string, o Options) (*Lab, problem.List) {
	data, list := read(path)
	if list != nil {
		return nil, list
	}
	return load(path, data, o, false)
}

// read reads a file that a person named. A file that is no file, or endless, is
// not read.
func read(path string) ([]byte, problem.List) {
	var list problem.List
	info, err := os.Stat(path)
	switch {
	case err != nil:
		list.Add(path, 0, 0, "read file: %v", reason(err))
	case !info.Mode().IsRegular():
		list.Add(path, 0, 0, "read file: it is not a plain file")
	case info.Size() > document.MaxSize:
		list.Add(path, 0, 0, "read file: it has %d bytes, and may have %d at most", info.Size(), document.MaxSize)
	}
	if list != nil {
		return nil, list
	}
	data, err := os.ReadFile(path)
	if err != nil {
		list.Add(path, 0, 0, "read file: %v", reason(err))
	}
	return data, list
}

// loader reads one lab file.
type loader struct {
	Options
	file string
	dir  string
	// pins says that executables are held against their digests. A hub that starts does
	// that with each by itself: one that is another must not keep the rest of the lab from
	// working.
	pins bool
	root *document.Root
	lab  *Lab
	// sheets that have been read, by reference; what is wrong with them is said
	// once.
	sheets        map[string]*sheet.Sheet
	sheetProblems problem.List
	// taken says who has what only one instrument may have.
	taken map[string]string
}

func load(path string, data []byte, o Options, pins bool) (*Lab, problem.List) {
	digest := sha256.Sum256(data)
	dir, err := filepath.Abs(filepath.Dir(path))
	if err != nil {
		dir = filepath.Dir(path)
	}
	l := &loader{
		Options: o, file: path, dir: dir, pins: pins,
		root:   document.Parse(path, data),
		lab:    &Lab{Digest: hex.EncodeToString(digest[:])},
		sheets: map[string]*sheet.Sheet{},
		taken:  map[string]string{},
	}
	l.read()
	l.root.Unknown()
	l.root.Problems.Sort()
	return l.lab, append(l.root.Problems, l.sheetProblems...)
}

func (l *loader) read() {
	l.lab.Name = l.root.Require("lab", "the name of the lab").Text("")
	l.readData(l.root.Field("data"))
	l.readAccess(l.root.Field("access"))
	l.readListen(l.root.Field("listen"))
	for _, n := range l.root.Require("stations", "the places where samples are measured").Items() {
		l.readStation(n)
	}
	for _, n := range l.root.Require("instruments", "the devices on the stations").Items() {
		l.readInstrument(n)
	}
	l.readCriteria(l.root.Field("criteria"))
	l.readParity(l.root.Field("parity"))
	l.readDecisions(l.root.Field("decisions"))
}

// path resolves a path that is relative to the lab file.
func (l *loader) path(p string) string {
	if filepath.IsAbs(p) {
		return filepath.Clean(p)
	}
	return filepath.Join(l.dir, p)
}

func (l *loader) readListen(n *document.Node) {
	grpc, http := n.Field("grpc"), n.Field("http")
	l.lab.Listen = Listen{GRPC: listenAddress(grpc, defaultGRPC, l.lab.Access != nil), HTTP: listenAddress(http, defaultHTTP, l.lab.Access != nil)}
	l.take(first(grpc, n), tcpEnd(l.lab.Listen.GRPC), "the hub's gRPC listener")
	l.take(first(http, n), tcpEnd(l.lab.Listen.HTTP), "the hub's HTTP listener")
}

// first returns the first node that is there.
func first(a, b *document.Node) *document.Node {
	if a != nil {
		return a
	}
	return b
}

// take records that someone has what only one may have. It is false, and a
// problem, if another one has it already.
func (l *loader) take(n *document.Node, what, who string) bool {
	if what == "" {
		return true
	}
	if other, ok := l.taken[what]; ok {
		n.Problem("%s is taken by %s already: only one can have it", what, other)
		return false
	}
	l.taken[what] = who
	return true
}

var stationKinds = map[string]pb.StationKind{
	"bench": pb.StationKind_STATION_KIND_BENCH,
	"drum":  pb.StationKind_STATION_KIND_DRUM,
	"room":  pb.StationKind_STATION_KIND_ROOM,
}

func (l *loader) readStation(n *document.Node) {
	if !n.Expect(document.Map) {
		return
	}
	name := n.Require("name", "the name of the station")
	kind := n.Require("kind", "bench, drum or room")
	s := &pb.Station{Name: name.Name()}
	if kind != nil {
		s.Kind = stationKinds[kind.OneOf("bench", "drum", "room")]
	}
	if s.Name == "" {
		return
	}
	if l.lab.Station(s.Name) != nil {
		name.Problem("there is a station %q already: each needs a name of its own", s.Name)
		return
	}
	l.lab.Stations = append(l.lab.Stations, s)
}

func (l *loader) stationNames() []string {
	var out []string
	for _, s := range l.lab.Stations {
		out = append(out, s.GetName())
	}
	return out
}
