package hub

import (
	"regexp"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

var (
	codeForm       = regexp.MustCompile(`^[A-Z0-9-]{1,32}$`)
	markForm       = regexp.MustCompile(`^(\d{1,3})-(\d{1,4})-(\d{1,4})$`)
	coffeeYearForm = regexp.MustCompile(`^(\d{4})/(\d{2})$`)
)

func checkCode(code string) error {
	if !codeForm.MatchString(code) {
		return invalid("sample", "%q is no lab code: 1 to 32 of A-Z, 0-9 and '-'", code)
	}
	return nil
}

func known(b *book.Book, code string) error {
	if b.HasSample(code) {
		return nil
	}
	if code == "" {
		return invalid("sample", "is missing")
	}
	if upper := strings.ToUpper(code); b.HasSample(upper) {
		return refuse(pb.ErrorReason_ERROR_REASON_SAMPLE_UNKNOWN, "sample: no sample is registered as %q; did you mean %s?", code, upper)
	}
	return refuse(pb.ErrorReason_ERROR_REASON_SAMPLE_UNKNOWN, "sample: no sample is registered as %q: register it, or check the code", code)
}

func station(b *book.Book, name string) (*pb.Station, error) {
	if s, ok := b.Station(name); ok {
		return s, nil
	}
	return nil, refuse(pb.ErrorReason_ERROR_REASON_STATION_UNKNOWN, "station: the lab has no %q; %s", name, names(b.StationNames()))
}

func drum(b *book.Book, name string) error {
	s, err := station(b, name)
	if err != nil {
		return err
	}
	if s.GetKind() != pb.StationKind_STATION_KIND_DRUM {
		return refuse(pb.ErrorReason_ERROR_REASON_STATION_KIND, "station: %s is no drum: only drums have a queue; place the sample there instead", name)
	}
	return nil
}

// checkIdentity judges what is said of a sample: an ICO mark is three numbers, of
// at most 3, 4 and 4 digits, and means nothing without its coffee year.
func checkIdentity(id *pb.SampleIdentity) error {
	if id.GetKind() == pb.SampleKind_SAMPLE_KIND_UNSPECIFIED || pb.SampleKind_name[int32(id.GetKind())] == "" {
		return invalid("identity.kind", "is missing: offer, pre-shipment, arrival, stocklot or reference")
	}
	for _, f := range []struct{ field, text string }{
		{"identity.lot", id.GetLot()}, {"identity.process", id.GetProcess()}, {"identity.origin", id.GetOrigin()},
	} {
		if err := checkText(f.field, f.text, longestName); err != nil {
			return err
		}
	}
	mark, year := id.GetIcoMark(), id.GetCoffeeYear()
	switch {
	case mark != "" && !markForm.MatchString(mark):
		return invalid("identity.ico_mark", "%q is no ICO mark: country, exporter and shipment, as 002-1961-0978", mark)
	case mark != "" && year == "":
		return invalid("identity.coffee_year", "is missing: an ICO mark is unique only within its coffee year, as 2026/27")
	case year != "" && !isCoffeeYear(year):
		return invalid("identity.coffee_year", "%q is no coffee year: two years that follow each other, as 2026/27", year)
	}
	return nil
}

func isCoffeeYear(s string) bool {
	m := coffeeYearForm.FindStringSubmatch(s)
	if m == nil {
		return false
	}
	last := (int(m[1][2]-'0')*10 + int(m[1][3]-'0') + 1) % 100
	return m[2] == string([]byte{byte('0' + last/10), byte('0' + last%10)})
}

func checkText(field, text string, longest int) error {
	switch {
	case len(text) > longest:
		return invalid(field, "has %d bytes; at most %d are taken", len(text), longest)
	case !utf8.ValidString(text):
		return invalid(field, "is not UTF-8")
	case strings.ContainsFunc(text, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }):
		return invalid(field, "%q holds a control character", text)
	}
	return nil
}

func checkReason(reason string) error {
	if strings.TrimSpace(reason) == "" {
		return invalid("reason", "is missing: say why, for whoever reads the record later")
	}
	return checkText("reason", reason, longestText)
}

// ahead is how far in the future a time may lie: clocks of a lab's computers are
// not all alike.
const ahead = time.Minute

// when returns the time of a request, now if it has none.
func when(field string, t *timestamppb.Timestamp, now time.Time) (time.Time, error) {
	if t == nil {
		return now, nil
	}
	if err := t.CheckValid(); err != nil {
		return time.Time{}, invalid(field, "is no time: %v", err)
	}
	at := t.AsTime()
	if at.After(now.Add(ahead)) {
		return time.Time{}, invalid(field, "%s lies in the future; it is %s on the lab's clock", at.Format(time.RFC3339), now.UTC().Format(time.RFC3339))
	}
	return at, nil
}
