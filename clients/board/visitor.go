package board

import (
	"cmp"
	"math"
	"net/http"
	"net/url"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// visitor is who looks, and how: its language and units, and the name under which it
// acts. They are kept in cookies of the browser and nowhere else.
type visitor struct {
	Lang   string
	Temp   string // "Cel" or "[degF]"
	Mass   string // "g" or "[oz_av]"
	Person string
}

// unnamed acts where nobody has said who works at this screen: a mark in the heat of a
// roast is never refused for want of a name.
const unnamed = "board"

// longestPerson is how long a name may be, in bytes.
const longestPerson = 60

func visitorOf(r *http.Request) visitor {
	v := visitor{Lang: spoken(r), Temp: "Cel", Mass: "g"}
	if c := cookie(r, cookieLang); catalogue[c] != nil {
		v.Lang = c
	}
	if cookie(r, cookieTemp) == "[degF]" {
		v.Temp = "[degF]"
	}
	if cookie(r, cookieMass) == "[oz_av]" {
		v.Mass = "[oz_av]"
	}
	v.Person = cleanPerson(cookie(r, cookiePerson))
	return v
}

// look is what two visitors share who see the same.
func (v visitor) look() visitor {
	v.Person = ""
	return v
}

const (
	cookieLang   = "evenbench-language"
	cookieTemp   = "evenbench-temperature"
	cookieMass   = "evenbench-mass"
	cookiePerson = "evenbench-person"
)

func cookie(r *http.Request, name string) string {
	c, err := r.Cookie(name)
	if err != nil {
		return ""
	}
	value, err := url.QueryUnescape(c.Value)
	if err != nil {
		return ""
	}
	return value
}

// keep sets a cookie that stays for a year.
func keep(w http.ResponseWriter, r *http.Request, name, value string) {
	http.SetCookie(w, &http.Cookie{
		Name: name, Value: url.QueryEscape(value), Path: base, MaxAge: int((365 * 24 * time.Hour).Seconds()),
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil,
	})
}

// cleanPerson returns a name as it goes into the record; empty if it cannot.
func cleanPerson(name string) string {
	name = strings.Join(strings.Fields(name), " ")
	if len(name) > longestPerson || !utf8.ValidString(name) {
		return ""
	}
	return name
}

// actor is the name under which the visitor acts.
func (v visitor) actor() string { return cmp.Or(v.Person, unnamed) }

// T returns a text in the visitor's language.
func (v visitor) T(key string, args ...any) string { return translate(v.Lang, key, args...) }

// say returns a phrase in the visitor's language.
func (v visitor) say(p phrase) string {
	if p.Said != "" {
		return p.Said
	}
	args := make([]any, len(p.Args))
	for i, a := range p.Args {
		switch x := a.(type) {
		case quantity:
			a = v.quantity(x)
		case word:
			a = v.T(string(x))
		}
		args[i] = a
	}
	return v.T(p.Key, args...)
}

// quantity is a value that is shown in the units of who looks.
type quantity struct {
	name        string // of a property; empty: it goes without
	value       float64
	uncertainty *float64
	unit, basis string
}

func valueOf(m *pb.Measurement) quantity {
	return quantity{name: m.GetProperty(), value: m.GetValue(), uncertainty: m.StandardUncertainty, unit: m.GetUnit(), basis: m.GetBasis()}
}

const (
	gramsPerOunce = 28.349523125 // by definition, the avoirdupois ounce
	fahrenheit    = "[degF]"
	ounce         = "[oz_av]"
)

// in returns a value with its uncertainty in the units of the visitor. Differences of
// temperature and rates have no offset.
func (v visitor) in(value float64, u *float64, unit string) (float64, *float64, string) {
	scale, offset, shown := 1.0, 0.0, unit
	switch {
	case v.Temp == fahrenheit && unit == "Cel":
		scale, offset, shown = 1.8, 32, "°F"
	case v.Temp == fahrenheit && (unit == "K/min" || unit == "Cel/min"):
		scale, shown = 1.8, "°F/min"
	case v.Temp == fahrenheit && unit == "K":
		scale, shown = 1.8, "°F"
	case v.Temp == fahrenheit && unit == "K.min":
		scale, shown = 1.8, "°F·min"
	case v.Mass == ounce && unit == "g":
		scale, shown = 1/gramsPerOunce, "oz"
	}
	if u != nil {
		scaled := *u * scale
		u = &scaled
	}
	return value*scale + offset, u, shown
}

func (v visitor) quantity(q quantity) string {
	value, u, unit := v.in(q.value, q.uncertainty, q.unit)
	if u == nil && unit != q.unit {
		value = math.Round(value*1000) / 1000
		if strings.HasPrefix(unit, "°F") {
			value = math.Round(value*10) / 10
		}
	}
	text := show.QuantityWithin(value, u, unit, v.basis(q.basis))
	if q.name != "" {
		text = v.T(spaced(q.name)) + " " + text
	}
	return text
}

// difference shows a difference of two values of a unit, such as an uncertainty, without
// the offset that a scale has.
func (v visitor) difference(value float64, unit string) string {
	if unit == "Cel" {
		unit = "K"
	}
	value, _, shown := v.in(value, nil, unit)
	return strings.TrimSpace(significant(value) + " " + show.Unit(shown, ""))
}

// significant shows a number with two digits that count.
func significant(value float64) string {
	if value == 0 || math.IsNaN(value) || math.IsInf(value, 0) {
		return show.Number(value, "")
	}
	return printed(value, max(0, 1-int(math.Floor(math.Log10(math.Abs(value))))))
}

// basis shows what a value is relative to; the scale of a colour is a name.
func (v visitor) basis(basis string) string {
	if basis == "" {
		return ""
	}
	return v.T(basis)
}

// temperature shows a temperature without its unit.
func (v visitor) temperature(cel float64) string {
	value, _, _ := v.in(cel, nil, "Cel")
	return v.fixed(value, 1)
}

// rate shows a rate of rise without its unit.
func (v visitor) rate(perMinute float64) string {
	value, _, _ := v.in(perMinute, nil, "K/min")
	return v.fixed(value, 1)
}

func (v visitor) fixed(value float64, decimals int) string {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return "–"
	}
	return printed(value, decimals)
}

// TempUnit and RateUnit name the units of the temperatures shown.
func (v visitor) TempUnit() string {
	if v.Temp == fahrenheit {
		return "°F"
	}
	return "°C"
}

func (v visitor) RateUnit() string { return v.TempUnit() + "/min" }

// style shows times in the time of the machine that the board runs on, as the rest of the
// hub's programs do.
var style = show.Style{}

func (v visitor) clock(t *timestamppb.Timestamp) string { return style.Clock(t) }
func (v visitor) stamp(t *timestamppb.Timestamp) string { return style.Stamp(t) }
