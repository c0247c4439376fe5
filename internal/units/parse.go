package units

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"
)

const (
	maxCode  = 64 // letters in a code
	maxPower = 9  // exponent of one unit
	maxTens  = 30 // exponent of ten: no unit is so far from another
)

// Parse returns the unit of a UCUM code: an atom of the table, with a prefix if
// it is metric, and products, quotients and powers of them. Annotations in
// braces count as nothing, as UCUM has it. The error says what to write instead
// where that is known.
func Parse(code string) (Unit, error) {
	if len(code) > maxCode {
		return Unit{}, fmt.Errorf("%.20q… is too long for a unit: write a UCUM code of at most %d letters", code, maxCode)
	}
	p := parser{code: code, rest: code}
	u, err := p.term()
	if err == nil && p.rest != "" {
		err = p.fail("%q is not expected", p.rest)
	}
	if err != nil {
		return Unit{}, err
	}
	u.code = code
	return u, nil
}

type parser struct {
	code, rest string
	// depth of open parentheses.
	depth int
}

func (p *parser) fail(format string, args ...any) error {
	return fmt.Errorf("%q is not a UCUM unit: %s%s", p.code, fmt.Sprintf(format, args...), instead(p.code))
}

func (p *parser) accept(s string) bool {
	rest, ok := strings.CutPrefix(p.rest, s)
	p.rest = rest
	return ok
}

// term reads components joined by '.' and '/', from left to right.
func (p *parser) term() (Unit, error) {
	total := Unit{factor: big.NewRat(1, 1)}
	sign := int8(1)
	if p.accept("/") {
		sign = -1
	}
	for first := true; ; first = false {
		u, err := p.component()
		if err != nil {
			return Unit{}, err
		}
		alone := first && sign == 1 && !strings.HasPrefix(p.rest, ".") && !strings.HasPrefix(p.rest, "/")
		if u.offset != nil {
			if !alone || p.depth > 0 {
				return Unit{}, p.fail("%s has its own zero and cannot be part of a product: write K or [degR] for its steps", u.code)
			}
			return u, nil
		}
		total = total.times(u, sign)
		switch {
		case p.accept("."):
			sign = 1
		case p.accept("/"):
			sign = -1
		default:
			return total, nil
		}
	}
}

func (u Unit) times(o Unit, sign int8) Unit {
	f := new(big.Rat)
	if sign > 0 {
		f.Mul(u.factor, o.factor)
	} else {
		f.Quo(u.factor, o.factor)
	}
	return Unit{dim: u.dim.plus(o.dim, sign), factor: f}
}

// component reads a term in parentheses, a number, or a unit with its exponent
// and annotation.
func (p *parser) component() (Unit, error) {
	switch {
	case p.accept("("):
		p.depth++
		u, err := p.term()
		if err != nil {
			return Unit{}, err
		}
		if !p.accept(")") {
			return Unit{}, p.fail("a parenthesis is not closed")
		}
		p.depth--
		return u, nil
	case strings.HasPrefix(p.rest, "{"):
		return Unit{factor: one}, p.annotation()
	}
	symbol := p.symbol()
	if symbol == "" {
		return Unit{}, p.fail("a unit is missing")
	}
	u, err := p.power(symbol)
	if err != nil {
		return Unit{}, err
	}
	return u, p.annotation()
}

func (p *parser) annotation() error {
	if !strings.HasPrefix(p.rest, "{") {
		return nil
	}
	end := strings.IndexByte(p.rest, '}')
	if end < 0 {
		return p.fail("a brace is not closed")
	}
	p.rest = p.rest[end+1:]
	return nil
}

// symbol takes the letters up to the next operator. Brackets hold any letter.
func (p *parser) symbol() string {
	bracket := false
	for i, r := range p.rest {
		switch {
		case r == '[':
			bracket = true
		case r == ']':
			bracket = false
		case !bracket && strings.ContainsRune("./(){}", r):
			s := p.rest[:i]
			p.rest = p.rest[i:]
			return s
		}
	}
	s := p.rest
	p.rest = ""
	return s
}

// power reads a symbol such as "m3", "s-2", "100" or "kg".
func (p *parser) power(symbol string) (Unit, error) {
	name := strings.TrimRight(symbol, "0123456789")
	digits := symbol[len(name):]
	if name == "" {
		n, ok := new(big.Rat).SetString(digits)
		if !ok || n.Sign() == 0 || len(digits) > maxPower {
			return Unit{}, p.fail("%q is not a factor", digits)
		}
		return Unit{code: digits, factor: n}, nil
	}
	exponent := 1
	if digits != "" {
		bare := strings.TrimRight(name, "+-")
		most := maxPower
		if bare == "10*" || bare == "10^" {
			most = maxTens
		}
		n, err := strconv.Atoi(digits)
		if err != nil || n == 0 || n > most || len(name)-len(bare) > 1 {
			return Unit{}, p.fail("the exponent %s is out of range: 1 to %d", symbol[len(bare):], most)
		}
		if exponent = n; name != bare && name[len(bare)] == '-' {
			exponent = -n
		}
		name = bare
	}
	u, ok := atom(name)
	if !ok {
		if why, known := refused[name]; known {
			return Unit{}, p.fail("%s %s, which no factor converts: let the device say a linear unit, or record its number as a score", name, why)
		}
		return Unit{}, p.fail("%q is not known", name)
	}
	if u.offset != nil && exponent != 1 {
		return Unit{}, p.fail("%s has its own zero and cannot be raised to a power", name)
	}
	if exponent == 1 {
		return u, nil
	}
	sign, n := int8(1), exponent
	if exponent < 0 {
		sign, n = -1, -exponent
	}
	total := Unit{factor: one}
	for range n {
		total = total.times(u, sign)
	}
	return total, nil
}
