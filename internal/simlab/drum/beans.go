// Package drum is the physics of a simulated sample roaster: what happens to
// 100 to 250 g of green coffee in a hot drum, and what three slow, noisy probes
// show of it. It is pure, and the same seed gives the same roast.
//
// The beans follow the energy and drying balance of Schwartzberg, "Modeling bean
// heating during batch roasting of coffee beans" (2002), with its published
// coefficients. The machine round them (gas, metal, door, operator) is this
// project's own, with invented constants of a plausible size.
package drum

import "math"

// Constants of the balance.
const (
	// latentHeat of the water driven out, kJ/kg (Schwartzberg 2002).
	latentHeat = 2790
	// reactionTotal is the heat that the roasting reactions can give off, kJ per
	// kg of dry matter (Schwartzberg 2002).
	reactionTotal = 232
	// lossPerHeat relates the dry matter that leaves as gas to the heat given
	// off, kg/kJ. Invented here: with it a medium roast loses about 7.5 % of its dry
	// matter, and the whole loss in mass falls in the usual 14 to 20 %.
	lossPerHeat = 0.00048
)

// SpecificHeat returns the heat capacity of beans at a temperature (°C) and a
// water content (kg per kg dry), kJ per kg of bean and kelvin.
func SpecificHeat(cel, water float64) float64 {
	return (1.099 + 0.0070*cel + 5.0*water) / (1 + water)
}

// DryingRate returns how fast the water content (kg per kg dry) of beans of a
// diameter (mm) changes at a temperature (°C), per second. It is never positive.
func DryingRate(cel, water, diameter float64) float64 {
	return -4.32e9 * water * water / (diameter * diameter) * math.Exp(-9889/(cel+273.2))
}

// ReactionHeat returns the heat of the roasting reactions at a temperature (°C)
// once given kJ/kg of it have been given off; kW per kg of dry matter.
func ReactionHeat(cel, given float64) float64 {
	return 116200 * math.Exp(-5500/(cel+273.2)) * (reactionTotal - given) / reactionTotal
}

// Beans is one charge of coffee.
type Beans struct {
	// Dry is the dry matter that went in, kg.
	Dry float64
	// Water content, kg per kg of the dry matter that went in.
	Water float64
	// Cel is the true temperature of the beans, °C.
	Cel float64
	// Diameter of a bean, mm.
	Diameter float64
	// Given is the reaction heat given off so far, kJ per kg dry.
	Given float64
}

// Green returns green beans of a mass (g), a moisture (wet basis, 0 to 1) and a
// temperature (°C).
func Green(grams, moisture, cel float64) Beans {
	dry := grams / 1000 * (1 - moisture)
	return Beans{Dry: dry, Water: moisture / (1 - moisture), Cel: cel, Diameter: 6}
}

// Step lets dt seconds pass in which the beans receive heat, kW per kg dry.
func (b *Beans) Step(dt, heat float64) {
	drying := DryingRate(b.Cel, b.Water, b.Diameter)
	reaction := ReactionHeat(b.Cel, b.Given)
	capacity := SpecificHeat(b.Cel, b.Water) * (1 + b.Water)
	b.Cel += dt * (heat + reaction + latentHeat*drying) / capacity
	b.Water += dt * drying
	b.Given += dt * reaction
}

// DryLoss returns the share of the dry matter that has left, 0 to 1.
func (b Beans) DryLoss() float64 { return lossPerHeat * b.Given }

// Grams returns the mass of the beans, g.
func (b Beans) Grams() float64 { return 1000 * b.Dry * (1 - b.DryLoss() + b.Water) }

// Moisture returns the water in the beans, wet basis, 0 to 1.
func (b Beans) Moisture() float64 { return b.Water / (1 - b.DryLoss() + b.Water) }
