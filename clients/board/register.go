package board

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// formView is a form with what was typed into it, and what is wrong with it.
type formView struct {
	V       visitor
	Request string
	Code    string
	// Values and Problems of fields, by name. Problem is of none of them.
	Values   map[string]string
	Problems map[string]string
	Problem  string
	Kinds    []choice
	// Places are stations that the sample can be laid on.
	Places []choice
	// Typed says that a mass can be typed, in the unit Mass.
	Typed bool
	Mass  string
}

type choice struct{ Value, Word string }

// identityFields are what a person says of a sample, as the services call it.
var identityFields = []string{"kind", "lot", "ico_mark", "coffee_year", "process", "origin"}

func kinds(v visitor) (list []choice) {
	for _, k := range show.Choices(pb.SampleKind(0).Descriptor()) {
		list = append(list, choice{k, v.T(k)})
	}
	return list
}

func newForm(v visitor) formView {
	return formView{V: v, Request: newRequest(), Values: map[string]string{}, Problems: map[string]string{}, Kinds: kinds(v)}
}

// typed takes over what was typed.
func (f *formView) typed(r *http.Request, names ...string) {
	for _, name := range names {
		f.Values[name] = strings.TrimSpace(r.PostFormValue(name))
	}
	if id := r.PostFormValue("request"); id != "" {
		f.Request = id
	}
}

// fails notes what the hub says of the form.
func (f *formView) fails(err error) {
	if field, text := fieldOf(err); field != "" {
		f.Problems[field] = text
	} else {
		f.Problem = text
	}
	// What was refused was not recorded, and the form that is sent next is another one.
	if status.Code(err) != codes.Unavailable && status.Code(err) != codes.DeadlineExceeded {
		f.Request = newRequest()
	}
}

func identityOf(values map[string]string) *pb.SampleIdentity {
	kind, _ := show.Choice(pb.SampleKind(0).Descriptor(), values["kind"])
	return &pb.SampleIdentity{
		Kind: pb.SampleKind(kind), Lot: values["lot"], IcoMark: values["ico_mark"], CoffeeYear: values["coffee_year"],
		Process: values["process"], Origin: values["origin"],
	}
}

func (b *Board) registerPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	f := newForm(v)
	f.Values["sample"] = code(r.URL.Query().Get("code"))
	b.reception(r, &f)
	b.show(w, r, http.StatusOK, "register", v.T("Register a sample"), f, "")
}

// reception fills in where a new sample can be laid, and whether a mass is typed there: a
// scale says by itself what lies on it.
func (b *Board) reception(r *http.Request, f *formView) {
	b.known(r.Context(), func(bench *bench) {
		for _, s := range bench.stations {
			name := s.GetStation().GetName()
			if s.GetStation().GetKind() != pb.StationKind_STATION_KIND_BENCH {
				continue
			}
			f.Places = append(f.Places, choice{name, name})
			by, _, typed := bench.weighs(name)
			if _, chosen := f.Values["station"]; by != "" && !chosen && s.GetSample() == "" {
				f.Values["station"] = name
			}
			f.Typed = f.Typed || typed
		}
	})
	f.Mass = "g"
	if f.V.Mass == ounce {
		f.Mass = "oz"
	}
}

// weighs returns the instrument and the channel that say the received mass of what lies on
// a station, and whether a person types it; empty if none does.
func (b *bench) weighs(station string) (instrument, channel string, typed bool) {
	for _, st := range b.measuring(station) {
		for _, c := range b.channels[st.GetInstrument()] {
			if c.GetProperty() == "received_mass" {
				return st.GetInstrument(), c.GetName(), st.GetDriver() == "keyed"
			}
		}
	}
	return "", "", false
}

func (b *Board) register(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	f := newForm(v)
	f.typed(r, append(identityFields, "sample", "station", "mass")...)
	f.Values["sample"] = code(f.Values["sample"])
	grams, err := v.grams(f.Values["mass"])
	if err != nil {
		f.Problems["mass"] = v.T("is no mass")
	} else {
		var done *pb.RegisterSampleResponse
		done, err = b.desk.RegisterSample(r.Context(), &pb.RegisterSampleRequest{
			RequestId: f.Request, Person: v.actor(), Sample: f.Values["sample"], Identity: identityOf(f.Values),
		})
		if err == nil {
			to := url.Values{"code": {done.GetSample()}, "done": {v.T("%s is registered.", done.GetSample())}}
			if err := b.receive(r, f, done.GetSample(), grams); err != nil {
				to.Set("failed", problem(err)) // it is registered all the same
			}
			http.Redirect(w, r, base+"scan?"+to.Encode(), http.StatusSeeOther)
			return
		}
		f.fails(err)
	}
	b.reception(r, &f)
	b.show(w, r, max(httpStatus(err), http.StatusUnprocessableEntity), "register", v.T("Register a sample"), f, "")
}

// receive lays a new sample on the station that was chosen, and enters the mass that was
// typed for it.
func (b *Board) receive(r *http.Request, f formView, sample, grams string) error {
	station := f.Values["station"]
	if station == "" {
		return nil
	}
	_, err := b.desk.PlaceSample(r.Context(), &pb.PlaceSampleRequest{RequestId: f.Request + "-place", Person: f.V.actor(), Station: station, Sample: sample})
	if err != nil || grams == "" {
		return err
	}
	var instrument, channel string
	var typed bool
	b.watch.look(func(bench *bench) { instrument, channel, typed = bench.weighs(station) })
	if !typed {
		return status.Errorf(codes.FailedPrecondition, "mass: no instrument of %s takes a typed mass; the scale says what lies on it", station)
	}
	_, err = b.gear.ActOnInstrument(r.Context(), &pb.ActOnInstrumentRequest{
		RequestId: f.Request + "-mass", Person: f.V.actor(), Instrument: instrument, Action: pb.Action_ACTION_ENTER, Channel: channel, Text: grams,
	})
	return err
}

// grams reads a mass that was typed in the visitor's unit, as it is entered; empty if none
// was.
func (v visitor) grams(typed string) (string, error) {
	if typed == "" {
		return "", nil
	}
	value, err := strconv.ParseFloat(strings.Replace(typed, ",", ".", 1), 64)
	if err != nil || !(value > 0) || value > 1e6 {
		return "", status.Errorf(codes.InvalidArgument, "mass: %q is no mass", typed)
	}
	if v.Mass == ounce {
		return strconv.FormatFloat(value*gramsPerOunce, 'f', 2, 64), nil
	}
	return strconv.FormatFloat(value, 'f', -1, 64), nil
}

// scanView is what can be done with a sample whose label was scanned or typed.
type scanView struct {
	V       visitor
	Request string
	Code    string
	Record  *pb.SampleRecord
	Lot     string
	// Lies names the stations that it lies on; Waits the drum that it waits for.
	Lies   []string
	Waits  string
	Drums  []where
	Benchs []where
}

// where is a place that a sample can go to.
type where struct {
	Name string
	// Has is the sample that lies there, Queue how many wait.
	Has   string
	Queue int
}

// scan shows what can be done with a code; one that no sample has can be registered.
func (b *Board) scan(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	s := scanView{V: v, Request: newRequest(), Code: code(r.URL.Query().Get("code"))}
	if s.Code == "" {
		http.Redirect(w, r, base, http.StatusSeeOther)
		return
	}
	found, err := b.record.GetSample(r.Context(), &pb.GetSampleRequest{Sample: s.Code})
	if err != nil && status.Code(err) != codes.NotFound && status.Code(err) != codes.InvalidArgument {
		b.refused(w, r, err)
		return
	}
	if err == nil {
		s.Record, s.Lot, s.Waits = found.GetRecord(), found.GetRecord().GetIdentity().GetLot(), found.GetRecord().GetQueuedFor()
	}
	list, err := b.desk.ListStations(r.Context(), &pb.ListStationsRequest{})
	if err != nil {
		b.refused(w, r, err)
		return
	}
	for _, st := range list.GetStations() {
		p := where{Name: st.GetStation().GetName(), Has: st.GetSample(), Queue: len(st.GetQueue())}
		switch st.GetStation().GetKind() {
		case pb.StationKind_STATION_KIND_DRUM:
			s.Drums = append(s.Drums, p)
		case pb.StationKind_STATION_KIND_BENCH:
			s.Benchs = append(s.Benchs, p)
			if p.Has == s.Code {
				s.Lies = append(s.Lies, p.Name)
			}
		}
	}
	b.show(w, r, http.StatusOK, "scan", s.Code, s, "")
}
