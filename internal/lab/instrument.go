package lab

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/evenbench/evenbench/internal/access"
	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/problem"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (l *loader) readInstrument(n *document.Node) {
	if !n.Expect(document.Map) {
		return
	}
	name := n.Require("name", "the name of the instrument")
	i := &Instrument{Name: name.Name(), Identity: n.Field("identity").Text("")}
	if i.Name != "" && l.lab.Instrument(i.Name) != nil {
		name.Problem("there is an instrument %q already: each needs a name of its own", i.Name)
	}
	station := l.instrumentStation(n, i)
	l.readExecutable(n, i)
	i.Sheet = l.instrumentSheet(n.Require("sheet", "a built-in sheet by name, or the path of one"), i.Executable != "")
	if i.Sheet == nil {
		n.Field("channels").Value() // nothing to hold it against
	} else {
		i.Driver = i.Sheet.Driver
		i.Channels, i.Checks = readChannels(n, i.Sheet)
		l.checkStation(n, i, station)
	}
	l.readLink(n, i)
	l.lab.Instruments = append(l.lab.Instruments, i)
}

func (l *loader) instrumentStation(n *document.Node, i *Instrument) *pb.Station {
	at := n.Require("station", "the name of the station it stands on")
	i.Station = at.Text("")
	s := l.lab.Station(i.Station)
	if s == nil && i.Station != "" {
		at.Problem("there is no station %q%s", i.Station, document.Meant(i.Station, l.stationNames()))
	}
	return s
}

func (l *loader) readExecutable(n *document.Node, i *Instrument) {
	program := n.Field("executable")
	arguments, pin := n.Field("arguments"), n.Field("sha256")
	for _, a := range arguments.Items() {
		i.Arguments = append(i.Arguments, a.Text(""))
	}
	if program == nil {
		arguments.Problem("are for an executable, and there is none: leave them out")
		pin.Problem("is of an executable, and there is none: the hub's own drivers are part of it")
		return
	}
	if pin != nil {
		digest, err := access.ParseDigest("sha256:" + pin.Text(""))
		if err != nil {
			pin.Problem("%q is not 64 hexadecimal digits: write what sha256sum says of the executable", pin.Text(""))
		}
		i.Pin = digest.String()
	}
	i.Executable = l.path(program.Text(""))
	info, err := os.Stat(i.Executable)
	switch {
	case err != nil:
		program.Problem("find %s: %v", i.Executable, reason(err))
	case !info.Mode().IsRegular() || info.Mode().Perm()&0o111 == 0:
		program.Problem("%s cannot be run: it must be a file with permission to execute", i.Executable)
	case l.pins && i.Pin != "":
		l.checkPin(pin, i)
	}
}

// checkPin holds an executable against its digest.
func (l *loader) checkPin(n *document.Node, i *Instrument) {
	f, err := os.Open(i.Executable)
	if err != nil {
		n.Problem("read %s: %v", i.Executable, reason(err))
		return
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		n.Problem("read %s: %v", i.Executable, reason(err))
		return
	}
	if is := "sha256:" + hex.EncodeToString(h.Sum(nil)); is != i.Pin {
		n.Problem("%s is another executable, %s: it will not be started; if it was replaced on purpose, write that digest here", i.Executable, is)
	}
}

// instrumentSheet reads the sheet that n names: built in, or a path. It returns
// nil if there is none.
func (l *loader) instrumentSheet(n *document.Node, foreign bool) *sheet.Sheet {
	ref := n.Text("")
	if ref == "" {
		return nil
	}
	key := fmt.Sprint(ref, " ", foreign)
	if s, ok := l.sheets[key]; ok {
		return s
	}
	drivers := l.Drivers
	if foreign {
		drivers = nil
	}
	s, list := l.findSheet(n, ref, drivers)
	l.sheets[key] = s
	l.sheetProblems = append(l.sheetProblems, list...)
	return s
}

func (l *loader) findSheet(n *document.Node, ref string, drivers sheet.Drivers) (*sheet.Sheet, problem.List) {
	if document.IsName(ref, '-') {
		if l.Sheet != nil {
			if data, ok := l.Sheet(ref); ok {
				return sheet.Parse(ref, data, drivers)
			}
		}
		n.Problem("there is no built-in sheet %q (one of your own is named by its path, such as ./%s.yaml)%s", ref, ref, document.Meant(ref, l.SheetNames))
		return nil, nil
	}
	path := l.path(ref)
	data, list := read(path)
	if list != nil {
		n.Problem("read sheet %s: %s", path, strings.TrimPrefix(list[0].Text, "read file: "))
		return nil, nil
	}
	// Name the sheet as a person would from where the lab file was named.
	return sheet.Parse(filepath.Join(filepath.Dir(l.file), ref), data, drivers)
}

func (l *loader) readLink(n *document.Node, i *Instrument) {
	driver := l.Drivers[i.Driver]
	if i.Executable != "" {
		driver = sheet.Driver{}
	}
	link := n.Field("link")
	switch {
	case driver.Link == nil:
		link.Value()
	case link == nil:
		n.Problem("link is missing: write how to reach the device, such as link: {tcp: 192.168.1.20:4001}")
	default:
		driver.Link(link)
	}
	if link.Kind() == document.Null || !link.Expect(document.Map) {
		return
	}
	i.Link = link.PlainMap()
	l.take(link, end(i.Link), fmt.Sprintf("instrument %q", i.Name))
}

// checkStation makes sure that the instrument makes sense where it stands.
func (l *loader) checkStation(n *document.Node, i *Instrument, station *pb.Station) {
	if station == nil {
		return
	}
	for _, c := range i.Channels {
		switch {
		case station.GetKind() != pb.StationKind_STATION_KIND_ROOM:
		case c.GetKind() == pb.ChannelKind_CHANNEL_KIND_CODE:
			n.Field("station").Problem("channel %s places samples on its station, and %q is a room: name a bench or a drum", c.GetName(), i.Station)
		case c.GetProperty() != "":
			n.Field("station").Problem("channel %s measures %s of a sample, and %q is a room: name a bench or a drum", c.GetName(), c.GetProperty(), i.Station)
		}
		if c.GetRole() == "" {
			continue
		}
		if !l.take(n, fmt.Sprintf("role %q on station %q", c.GetRole(), i.Station), fmt.Sprintf("instrument %q", i.Name)) {
			return // its other roles are most likely taken too
		}
	}
}
