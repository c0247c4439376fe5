package ascii

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Encodings of a device's text.
const (
	encodingASCII  = "ascii"
	encodingUTF8   = "utf-8"
	encodingLatin1 = "latin-1"
)

// decode reads bytes as text. ok is false if they are not of the encoding.
func decode(raw []byte, encoding string) (text string, ok bool) {
	switch encoding {
	case encodingUTF8:
		return string(raw), utf8.Valid(raw)
	case encodingLatin1:
		if isASCII(raw) {
			return string(raw), true
		}
		// The first 256 code points of Unicode are ISO/IEC 8859-1.
		var b strings.Builder
		b.Grow(len(raw) + 8)
		for _, c := range raw {
			b.WriteRune(rune(c))
		}
		return b.String(), true
	default:
		return string(raw), isASCII(raw)
	}
}

// encode is the inverse of decode, for what a sheet says to send or to look for.
func encode(text, encoding string) ([]byte, error) {
	if encoding == encodingUTF8 {
		return []byte(text), nil
	}
	limit := rune(0x7f)
	if encoding == encodingLatin1 {
		limit = 0xff
	}
	out := make([]byte, 0, len(text))
	for _, r := range text {
		if r > limit {
			return nil, fmt.Errorf("%q is not in the encoding %s", r, encoding)
		}
		out = append(out, byte(r))
	}
	return out, nil
}

func isASCII(raw []byte) bool {
	for _, c := range raw {
		if c >= utf8.RuneSelf {
			return false
		}
	}
	return true
}

// hasControl tells whether text holds characters that no display shows. They
// have no place in a value.
func hasControl(text string) bool {
	return strings.ContainsFunc(text, unicode.IsControl)
}
