package explain

// findings says what each finding is, in a sentence.
var findings = map[string]string{
	"total_time":            "How long the beans were in the drum: from the charge to the drop.",
	"time_to_turning_point": "From the charge until the bean probe was at its lowest.",
	"drying_time":           "From the charge to yellowing.",
	"drying_share":          "Which share of the whole time drying took.",
	"browning_time":         "From yellowing to first crack.",
	"browning_share":        "Which share of the whole time browning took.",
	"development_time":      "From first crack to the drop.",
	"development_ratio":     "Which share of the whole time came after first crack.",

	"bean_at_charge":        "What the bean probe showed just before the beans went in.",
	"bean_at_turning_point": "What the bean probe showed at its lowest.",
	"bean_at_yellowing":     "What the bean probe showed at yellowing.",
	"bean_at_first_crack":   "What the bean probe showed at first crack.",
	"bean_at_drop":          "What the bean probe showed just before the beans came out.",

	"greatest_rate_of_rise":       "How fast the bean probe rose where it rose fastest, after the turning point.",
	"rate_of_rise_at_yellowing":   "How fast the bean probe rose at yellowing.",
	"rate_of_rise_at_first_crack": "How fast the bean probe rose at first crack.",
	"rate_of_rise_at_drop":        "How fast the bean probe rose last, before the drop.",

	"time_to_greatest_rate_of_rise": "From the charge to the moment when the bean probe rose fastest.",
	"bean_at_greatest_rate_of_rise": "What the bean probe showed when it rose fastest.",
	"time_temperature_area":         "How far above 100 °C the bean probe was, and for how long, from its turn to the drop.",

	"loss_in_mass":          "How much of the mass of the green coffee the roast took.",
	"dry_matter_loss":       "How much of the dry matter of the green coffee the roast took: what samples are compared by.",
	"colour_difference":     "How much lighter the ground coffee is than the beans outside.",
	"time_to_colour_whole":  "How long after the drop the colour of the whole beans was read.",
	"time_to_colour_ground": "How long after the drop the colour of the ground coffee was read.",
}

// properties says what the properties are that are judged or computed with.
var properties = map[string]string{
	"received_mass":        "What the sample weighed when it came in.",
	"charge_mass":          "What the green coffee weighed that went into the drum.",
	"roasted_mass":         "What the roasted coffee weighed.",
	"moisture":             "How much of the green coffee is water.",
	"roasted_moisture":     "How much of the roasted coffee is water.",
	"water_activity":       "How free the water in the green coffee is, from 0 to 1.",
	"bulk_density":         "What a litre of the green coffee weighs when it lies as it fell.",
	"roasted_bulk_density": "What a litre of the roasted coffee weighs when it lies as it fell.",
	"colour_whole":         "The colour of the roasted beans, on the meter's scale.",
	"colour_ground":        "The colour of the ground coffee, on the meter's scale.",
	"full_defects":         "Full defects in 350 g, whole ones only.",
	"bean_temperature":     "How warm the green coffee was when it was measured.",
}
