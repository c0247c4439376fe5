package units

// customary are the atoms of UCUM 2.2 that come from measures of trade: international,
// of the United States and of Britain. They take no prefixes, but for the carat.
var customary = map[string]definition{
	// Length, area, volume: international.
	"[in_i]":  {value: "2.54", of: "cm"},
	"[ft_i]":  {value: "12", of: "[in_i]"},
	"[yd_i]":  {value: "3", of: "[ft_i]"},
	"[mi_i]":  {value: "5280", of: "[ft_i]"},
	"[fth_i]": {value: "6", of: "[ft_i]"},
	"[nmi_i]": {value: "1852", of: "m"},
	"[kn_i]":  {value: "1", of: "[nmi_i]/h"},
	"[sin_i]": {value: "1", of: "[in_i]2"},
	"[sft_i]": {value: "1", of: "[ft_i]2"},
	"[syd_i]": {value: "1", of: "[yd_i]2"},
	"[cin_i]": {value: "1", of: "[in_i]3"},
	"[cft_i]": {value: "1", of: "[ft_i]3"},
	"[cyd_i]": {value: "1", of: "[yd_i]3"},
	"[bf_i]":  {value: "144", of: "[in_i]3"},
	"[cr_i]":  {value: "128", of: "[ft_i]3"},
	"[mil_i]": {value: "1/1000", of: "[in_i]"},
	"[hd_i]":  {value: "4", of: "[in_i]"},
	// How many wires or holes to the inch.
	"[mesh_i]": {value: "1", of: "[in_i]-1"},

	// Length of surveys in the United States.
	"[ft_us]":  {value: "1200/3937", of: "m"},
	"[yd_us]":  {value: "3", of: "[ft_us]"},
	"[in_us]":  {value: "1/12", of: "[ft_us]"},
	"[rd_us]":  {value: "16.5", of: "[ft_us]"},
	"[ch_us]":  {value: "4", of: "[rd_us]"},
	"[fur_us]": {value: "40", of: "[rd_us]"},
	"[mi_us]":  {value: "8", of: "[fur_us]"},
	"[acr_us]": {value: "160", of: "[rd_us]2"},

	// Volume in the United States: liquid, dry, kitchen.
	"[gal_us]": {value: "231", of: "[in_i]3"},
	"[bbl_us]": {value: "42", of: "[gal_us]"},
	"[qt_us]":  {value: "1/4", of: "[gal_us]"},
	"[pt_us]":  {value: "1/2", of: "[qt_us]"},
	"[gil_us]": {value: "1/4", of: "[pt_us]"},
	"[foz_us]": {value: "1/4", of: "[gil_us]"},
	"[fdr_us]": {value: "1/8", of: "[foz_us]"},
	"[min_us]": {value: "1/60", of: "[fdr_us]"},
	"[crd_us]": {value: "128", of: "[ft_i]3"},
	"[bu_us]":  {value: "2150.42", of: "[in_i]3"},
	"[gal_wi]": {value: "1/8", of: "[bu_us]"},
	"[pk_us]":  {value: "1/4", of: "[bu_us]"},
	"[dqt_us]": {value: "1/8", of: "[pk_us]"},
	"[dpt_us]": {value: "1/2", of: "[dqt_us]"},
	"[tbs_us]": {value: "1/2", of: "[foz_us]"},
	"[tsp_us]": {value: "1/3", of: "[tbs_us]"},
	"[cup_us]": {value: "16", of: "[tbs_us]"},
	"[foz_m]":  {value: "30", of: "mL"},
	"[cup_m]":  {value: "240", of: "mL"},
	"[tsp_m]":  {value: "5", of: "mL"},
	"[tbs_m]":  {value: "15", of: "mL"},

	// Volume in Britain.
	"[gal_br]": {value: "4.54609", of: "l"},
	"[pk_br]":  {value: "2", of: "[gal_br]"},
	"[bu_br]":  {value: "4", of: "[pk_br]"},
	"[qt_br]":  {value: "1/4", of: "[gal_br]"},
	"[pt_br]":  {value: "1/2", of: "[qt_br]"},
	"[gil_br]": {value: "1/4", of: "[pt_br]"},
	"[foz_br]": {value: "1/5", of: "[gil_br]"},
	"[fdr_br]": {value: "1/8", of: "[foz_br]"},
	"[min_br]": {value: "1/60", of: "[fdr_br]"},

	// Mass: avoirdupois, troy, apothecaries'.
	"[gr]":       {value: "64.79891", of: "mg"},
	"[lb_av]":    {value: "7000", of: "[gr]"},
	"[oz_av]":    {value: "1/16", of: "[lb_av]"},
	"[dr_av]":    {value: "1/16", of: "[oz_av]"},
	"[scwt_av]":  {value: "100", of: "[lb_av]"},
	"[lcwt_av]":  {value: "112", of: "[lb_av]"},
	"[ston_av]":  {value: "20", of: "[scwt_av]"},
	"[lton_av]":  {value: "20", of: "[lcwt_av]"},
	"[stone_av]": {value: "14", of: "[lb_av]"},
	"[pwt_tr]":   {value: "24", of: "[gr]"},
	"[oz_tr]":    {value: "20", of: "[pwt_tr]"},
	"[lb_tr]":    {value: "12", of: "[oz_tr]"},
	"[sc_ap]":    {value: "20", of: "[gr]"},
	"[dr_ap]":    {value: "3", of: "[sc_ap]"},
	"[oz_ap]":    {value: "8", of: "[dr_ap]"},
	"[lb_ap]":    {value: "12", of: "[oz_ap]"},
	"[oz_m]":     {value: "28", of: "g"},
	"[car_m]":    {value: "1/5", of: "g"},
}

// refused are symbols of UCUM that no factor converts, and why.
var refused = map[string]string{
	"[pH]":     logarithmic,
	"B":        logarithmic,
	"dB":       logarithmic,
	"Np":       logarithmic,
	"B[SPL]":   logarithmic,
	"dB[SPL]":  logarithmic,
	"B[V]":     logarithmic,
	"dB[V]":    logarithmic,
	"B[mV]":    logarithmic,
	"B[uV]":    logarithmic,
	"B[W]":     logarithmic,
	"B[kW]":    logarithmic,
	"%[slope]": "is the tangent of an angle",
	"[p'diop]": "is the tangent of an angle",
	"[iU]":     arbitrary,
	"[arb'U]":  arbitrary,
	"[USP'U]":  arbitrary,
	"[CFU]":    arbitrary,
	"[NTU]":    arbitrary,
	"[FNU]":    arbitrary,
}

const (
	logarithmic = "is a logarithm of a ratio"
	arbitrary   = "is what a procedure of measuring makes it"
)
