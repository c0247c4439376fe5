package show

import (
	"strings"
	"unicode"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// Words shows the value of an enumeration in plain words: "first crack" for
// MARK_KIND_FIRST_CRACK.
func Words(value protoreflect.Enum) string {
	d := value.Descriptor()
	v := d.Values().ByNumber(value.Number())
	if v == nil || v.Number() == 0 {
		return "unknown"
	}
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(string(v.Name()), prefix(d)), "_", " "))
}

// Hyphened is Words with hyphens: "pre-shipment", as kinds are typed and read.
func Hyphened(value protoreflect.Enum) string {
	return strings.ReplaceAll(Words(value), " ", "-")
}

// Choices returns the values of an enumeration as they are typed: "first-crack".
func Choices(d protoreflect.EnumDescriptor) []string {
	var choices []string
	for i := range d.Values().Len() {
		if v := d.Values().Get(i); v.Number() != 0 {
			choices = append(choices, typed(d, v))
		}
	}
	return choices
}

// Choice returns the value that was typed; hyphens, underscores and spaces are
// alike, and so are upper and lower case.
func Choice(d protoreflect.EnumDescriptor, text string) (protoreflect.EnumNumber, bool) {
	text = strings.NewReplacer("_", "-", " ", "-").Replace(strings.ToLower(text))
	for i := range d.Values().Len() {
		if v := d.Values().Get(i); v.Number() != 0 && typed(d, v) == text {
			return v.Number(), true
		}
	}
	return 0, false
}

func typed(d protoreflect.EnumDescriptor, v protoreflect.EnumValueDescriptor) string {
	name := strings.TrimPrefix(string(v.Name()), prefix(d))
	return strings.ToLower(strings.ReplaceAll(name, "_", "-"))
}

// prefix is what every value of an enumeration begins with: MARK_KIND_ for
// MarkKind.
func prefix(d protoreflect.EnumDescriptor) string {
	var b strings.Builder
	for i, r := range string(d.Name()) {
		if i > 0 && unicode.IsUpper(r) {
			b.WriteByte('_')
		}
		b.WriteRune(unicode.ToUpper(r))
	}
	return b.String() + "_"
}

// spaced shows a name of the record as words: "received mass".
func spaced(name string) string { return strings.ReplaceAll(plain(name), "_", " ") }
