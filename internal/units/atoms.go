package units

// definition is one atom of the table: value times a term of other atoms. Value is an
// exact decimal number or a quotient of two.
type definition struct {
	value, of string
	metric    bool // takes prefixes
	// zero is the temperature, K, of 0, where the unit has a zero of its own.
	zero string
}

// bases are the base units, all metric. Those of UCUM, but for the ampere, for which
// UCUM has the coulomb, and the mole, which UCUM takes for a plain number: here an
// amount of substance is never a count or a fraction.
var bases = map[string]dimension{
	"m": {1}, "g": {0, 1}, "s": {0, 0, 1}, "K": {0, 0, 0, 1}, "A": {0, 0, 0, 0, 1},
	"cd": {0, 0, 0, 0, 0, 1}, "rad": {0, 0, 0, 0, 0, 0, 1}, "mol": {0, 0, 0, 0, 0, 0, 0, 1},
}

const pi = "3.1415926535897932384626433832795028841971693993751058209749445923"

// atoms are the atoms of UCUM 2.2, tables 1 to 19, that measure what a lab may measure,
// but for the bases; customary has the others. Values are from memory, and all of them
// are held against another implementation by the tests; where UCUM rounds, so does the
// table.
var atoms = map[string]definition{
	"10*":  {value: "10", of: "1"},
	"10^":  {value: "10", of: "1"},
	"[pi]": {value: pi, of: "1"},

	"%":      {value: "1/100", of: "1"},
	"[ppth]": {value: "1/1000", of: "1"},
	"[ppm]":  {value: "1/1000000", of: "1"},
	"[ppb]":  {value: "1/1000000000", of: "1"},
	"[pptr]": {value: "1/1000000000000", of: "1"},

	// SI.
	"sr":  {value: "1", of: "rad2", metric: true},
	"Hz":  {value: "1", of: "s-1", metric: true},
	"N":   {value: "1", of: "kg.m/s2", metric: true},
	"Pa":  {value: "1", of: "N/m2", metric: true},
	"J":   {value: "1", of: "N.m", metric: true},
	"W":   {value: "1", of: "J/s", metric: true},
	"C":   {value: "1", of: "A.s", metric: true},
	"V":   {value: "1", of: "J/C", metric: true},
	"F":   {value: "1", of: "C/V", metric: true},
	"Ohm": {value: "1", of: "V/A", metric: true},
	"S":   {value: "1", of: "Ohm-1", metric: true},
	"Wb":  {value: "1", of: "V.s", metric: true},
	"T":   {value: "1", of: "Wb/m2", metric: true},
	"H":   {value: "1", of: "Wb/A", metric: true},
	"lm":  {value: "1", of: "cd.sr", metric: true},
	"lx":  {value: "1", of: "lm/m2", metric: true},
	"Bq":  {value: "1", of: "s-1", metric: true},
	"Gy":  {value: "1", of: "J/kg", metric: true},
	"Sv":  {value: "1", of: "J/kg", metric: true},
	"kat": {value: "1", of: "mol/s", metric: true},
	"Cel": {value: "1", of: "K", metric: true, zero: "273.15"},

	// Beside SI.
	"deg":  {value: pi + "/180", of: "rad"},
	"'":    {value: "1/60", of: "deg"},
	"''":   {value: "1/60", of: "'"},
	"gon":  {value: "9/10", of: "deg"},
	"circ": {value: "2", of: "[pi].rad"},
	"l":    {value: "1", of: "dm3", metric: true},
	"L":    {value: "1", of: "l", metric: true},
	"ar":   {value: "100", of: "m2", metric: true},
	"st":   {value: "1", of: "m3", metric: true},
	"t":    {value: "1000", of: "kg", metric: true},
	"bar":  {value: "100000", of: "Pa", metric: true},
	"min":  {value: "60", of: "s"},
	"h":    {value: "60", of: "min"},
	"d":    {value: "24", of: "h"},
	"wk":   {value: "7", of: "d"},
	"mo":   {value: "1/12", of: "a"},
	"a":    {value: "365.25", of: "d"},
	"g%":   {value: "1", of: "g/dl", metric: true},
	"eq":   {value: "1", of: "mol", metric: true},
	"osm":  {value: "1", of: "mol", metric: true},
	"U":    {value: "1", of: "umol/min", metric: true},
	"Ao":   {value: "1/10", of: "nm"},

	// Centimetre, gram, second.
	"dyn": {value: "1", of: "g.cm/s2", metric: true},
	"erg": {value: "1", of: "dyn.cm", metric: true},
	"P":   {value: "1", of: "dyn.s/cm2", metric: true},
	"St":  {value: "1", of: "cm2/s", metric: true},
	"Gal": {value: "1", of: "cm/s2", metric: true},
	"Ky":  {value: "1", of: "cm-1", metric: true},
	"Bi":  {value: "10", of: "A", metric: true},
	"G":   {value: "1/10000", of: "T", metric: true},
	"Mx":  {value: "1/100000000", of: "Wb", metric: true},
	"sb":  {value: "1", of: "cd/cm2", metric: true},
	"Ci":  {value: "37000000000", of: "Bq", metric: true},
	"mho": {value: "1", of: "S", metric: true},

	// Force by weight, and pressure by a column.
	"[g]":        {value: "9.80665", of: "m/s2", metric: true},
	"gf":         {value: "1", of: "g.[g]", metric: true},
	"[lbf_av]":   {value: "1", of: "[lb_av].[g]"},
	"atm":        {value: "101325", of: "Pa"},
	"att":        {value: "1", of: "kgf/cm2"},
	"[psi]":      {value: "1", of: "[lbf_av]/[in_i]2"},
	"m[H2O]":     {value: "9.80665", of: "kPa", metric: true},
	"m[Hg]":      {value: "133.3220", of: "kPa", metric: true},
	"[in_i'H2O]": {value: "1", of: "m[H2O].[in_i]/m"},
	"[in_i'Hg]":  {value: "1", of: "m[Hg].[in_i]/m"},

	// Temperature and heat.
	"[degF]":   {value: "5/9", of: "K", zero: "45967/180"}, // 459.67 · 5/9
	"[degR]":   {value: "5/9", of: "K"},
	"[degRe]":  {value: "5/4", of: "K", zero: "273.15"},
	"cal":      {value: "1", of: "cal_th", metric: true},
	"cal_th":   {value: "4.184", of: "J", metric: true},
	"cal_IT":   {value: "4.1868", of: "J", metric: true},
	"cal_m":    {value: "4.19002", of: "J", metric: true},
	"cal_[15]": {value: "4.18580", of: "J", metric: true},
	"cal_[20]": {value: "4.18190", of: "J", metric: true},
	"[Cal]":    {value: "1", of: "kcal_th"},
	"[Btu]":    {value: "1", of: "[Btu_th]"},
	"[Btu_th]": {value: "1.054350", of: "kJ"},
	"[Btu_IT]": {value: "1.05505585262", of: "kJ"},
	"[Btu_m]":  {value: "1.05587", of: "kJ"},
	"[Btu_39]": {value: "1.05967", of: "kJ"},
	"[Btu_59]": {value: "1.05480", of: "kJ"},
	"[Btu_60]": {value: "1.05468", of: "kJ"},
	"[HP]":     {value: "550", of: "[ft_i].[lbf_av]/s"},
}

// prefixes are those of SI and IEC, UCUM table 1.
var prefixes = map[string]string{
	"Y": "1e24", "Z": "1e21", "E": "1e18", "P": "1e15", "T": "1e12", "G": "1e9", "M": "1e6", "k": "1e3", "h": "1e2", "da": "1e1",
	"d": "1e-1", "c": "1e-2", "m": "1e-3", "u": "1e-6", "n": "1e-9", "p": "1e-12", "f": "1e-15", "a": "1e-18", "z": "1e-21", "y": "1e-24",
	"Ki": "1024", "Mi": "1048576", "Gi": "1073741824", "Ti": "1099511627776",
}
