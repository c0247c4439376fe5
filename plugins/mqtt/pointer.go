package mqtt

import (
	"fmt"
	"strings"
)

// pointer says where in a JSON document a value stands (RFC 6901): its reference
// tokens, unescaped. The empty pointer is the whole document.
type pointer []string

// parsePointer reads a pointer as it is written: "" or /token/token, with ~1 for a
// slash and ~0 for a tilde within a token.
func parsePointer(text string) (pointer, error) {
	if text == "" {
		return pointer{}, nil
	}
	if text[0] != '/' {
		return nil, fmt.Errorf("%q is no JSON pointer: it begins with a slash, such as /%s", text, text)
	}
	tokens := strings.Split(text[1:], "/")
	for i, t := range tokens {
		for rest := t; ; {
			_, after, found := strings.Cut(rest, "~")
			if !found {
				break
			}
			if after == "" || after[0] != '0' && after[0] != '1' {
				return nil, fmt.Errorf("%q is no JSON pointer: behind ~ comes 0 (for a tilde) or 1 (for a slash)", text)
			}
			rest = after[1:]
		}
		// In this order: ~01 is ~1, and not a slash.
		tokens[i] = strings.ReplaceAll(strings.ReplaceAll(t, "~1", "/"), "~0", "~")
	}
	return tokens, nil
}

// in returns the value that the pointer names in a document as encoding/json
// decodes it; false if there is none.
func (p pointer) in(document any) (any, bool) {
	for _, token := range p {
		switch at := document.(type) {
		case map[string]any:
			v, ok := at[token]
			if !ok {
				return nil, false
			}
			document = v
		case []any:
			i, ok := index(token)
			if !ok || i >= len(at) {
				return nil, false
			}
			document = at[i]
		default:
			return nil, false
		}
	}
	return document, true
}

// index reads the index of an element: digits without a leading zero. "-", the
// element behind the last, names nothing that could be read.
func index(token string) (int, bool) {
	if token == "" || len(token) > 9 || len(token) > 1 && token[0] == '0' {
		return 0, false
	}
	n := 0
	for _, c := range []byte(token) {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = 10*n + int(c-'0')
	}
	return n, true
}

func (p pointer) String() string {
	var b strings.Builder
	for _, t := range p {
		b.WriteByte('/')
		b.WriteString(strings.ReplaceAll(strings.ReplaceAll(t, "~", "~0"), "/", "~1"))
	}
	return b.String()
}
