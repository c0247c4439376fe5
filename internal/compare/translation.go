package compare

// Translation returns terms for roasts of different roasters, on which the same curve
// does not show the same roast: the shares of the phases between the marks, %, by one
// tolerance in points of the total time, and what became of the coffee, its ground
// colour and its loss of dry matter, %. Temperatures of probes are left out.
func Translation(share, colour, loss, confidence float64) Terms {
	return Terms{
		Aspects: []Aspect{
			{Name: "drying_share", Unit: "%", Tolerance: share},
			{Name: "browning_share", Unit: "%", Tolerance: share},
			{Name: "development_ratio", Unit: "%", Tolerance: share},
			{Name: "colour_ground", Tolerance: colour},
			{Name: "dry_matter_loss", Unit: "%", Tolerance: loss},
		},
		Confidence: confidence,
	}
}
