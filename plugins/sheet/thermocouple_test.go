package sheet_test

import (
	"strings"
	"testing"

	"github.com/evenbench/evenbench/plugins/sheet"
)

// voltmeter is a sheet with a thermocouple, whose lines tests replace.
const voltmeter = `sheet: voltmeter
title: A voltmeter
driver: talker
channels:
  bean:
    quantity: temperature
    unit: uV
    thermocouple: {type: K, class: 1, cold_junction: terminals}
    kind: continuous
    range: [-20, 400]
    cadence: 2s
    resolution: 1
    uncertainty: 4
  terminals: {quantity: temperature, unit: Cel, kind: continuous, cadence: 5s, uncertainty: 0.3}
`

func TestAThermocoupleIsReadWhole(t *testing.T) {
	s, problems := sheet.Parse("voltmeter.yaml", []byte(voltmeter), talker)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	c, _ := s.Channel("bean")
	k := c.Thermocouple
	if k == nil || k.Type.Letter() != "K" || k.Class != 1 || k.Junction != "terminals" {
		t.Errorf("bean: %+v, %+v", c, k)
	}
	if c.DeviceQuantity() != "voltage" || c.Unit != "uV" || c.Low != -20 || c.Uncertainty != 4 {
		t.Errorf("bean: %+v", c)
	}
	s, problems = sheet.Parse("voltmeter.yaml", []byte(strings.Replace(voltmeter, "terminals}", "{at: 25, uncertainty: 1.5}}", 1)), talker)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	if c, _ := s.Channel("bean"); c.Thermocouple.Junction != "" || c.Thermocouple.Cold != 25 || c.Thermocouple.ColdUncertainty != 1.5 {
		t.Errorf("with a fixed junction: %+v", c.Thermocouple)
	}
}

// Each mistake is one problem, at its place.
func TestP9_AThermocoupleThatCannotBeIsRefused(t *testing.T) {
	const thermocouple, rest = "thermocouple: {type: K, class: 1, cold_junction: terminals}", "{quantity: temperature, unit: Cel, kind: continuous, cadence: 5s, uncertainty: 0.3}"
	for _, c := range []struct{ name, old, new, want string }{
		{"no type", "type: K, ", "", "8:19: channels.bean.thermocouple: type is missing"},
		{"a small letter", "type: K", "type: k", `8:26: channels.bean.thermocouple.type: "k" is not a type of thermocouple: write one of B E J K N R S T`},
		{"a class that is none", "class: 1", "class: 4", "8:36: channels.bean.thermocouple.class: 4 is out of range: it must be from 1 to 3"},
		{"a class that the type has not", "type: K, class: 1", "type: J, class: 3", "type J thermocouple: there is no class 3 of it: IEC 60584-1 has classes 1 and 2"},
		{"a class without a range", "    range: [-20, 400]\n", "", "8:36: channels.bean.thermocouple.class: is for some temperatures only: add range:"},
		{"a range beyond the class", "[-20, 400]", "[-20, 1100]", "10:12: channels.bean.range: class 1 of type K is from -40 to 1000 Cel: narrow the range"},
		{"a range beyond the type", "[-20, 400]", "[-20, 4000]", "type K measures from -270 to 1372 Cel; the range is in Cel"},
		{"a unit of temperature", "unit: uV", "unit: Cel", `7:11: channels.bean.unit: a thermocouple has a voltage: "Cel" is not a unit of voltage`},
		{"no temperature", "quantity: temperature\n    unit: uV", "quantity: voltage\n    unit: uV", "8:19: channels.bean.thermocouple: makes a temperature of a voltage, and the channel measures voltage"},
		{"no cold junction", ", cold_junction: terminals", "", "cold_junction is missing: write where its wires end"},
		{"a cold junction that is not there", "cold_junction: terminals", "cold_junction: terminal", `there is no channel "terminal"; did you mean "terminals"?`},
		{"itself", "cold_junction: terminals", "cold_junction: bean", `"bean" is a thermocouple itself`},
		{"a cold junction that is no temperature", rest, "{quantity: pressure, unit: kPa, kind: continuous, cadence: 5s}", `"terminals" must be a continuous temperature`},
		{"a cold junction of one moment", rest, "{quantity: temperature, unit: Cel, kind: spot, cadence: 5s}", `"terminals" must be a continuous temperature`},
		{"a cold junction without cadence", "cadence: 5s, ", "", `"terminals" needs a cadence`},
		{"a fixed one of which nothing is known", "cold_junction: terminals", "cold_junction: {at: 25}", "uncertainty is missing: write how well it is known"},
		{"a fixed one that is nowhere", "cold_junction: terminals", "cold_junction: {uncertainty: 1}", "at is missing: write its temperature in Cel"},
		{"a fixed one in kelvin", "cold_junction: terminals", "cold_junction: {at: -300, uncertainty: 1}", "cold junction is -300 °C, outside -270 to 1372 °C"},
		{"no map", thermocouple, "thermocouple: K", `must be a map, but is "K"`},
		{"a key that is not known", "class: 1", "clas: 1", `unknown key; did you mean "class"?`},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(voltmeter, c.old, c.new, 1)
			if text == voltmeter {
				t.Fatal("the mistake was not made")
			}
			_, problems := sheet.Parse("voltmeter.yaml", []byte(text), talker)
			if len(problems) != 1 || !strings.Contains(problems[0].String(), c.want) {
				t.Errorf("got\n%v\nwant\n%s", problems, c.want)
			}
		})
	}
}
