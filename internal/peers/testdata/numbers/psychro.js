// Answers states of air with what psychrolib computes of them.
const { readFileSync } = require('fs');
const air = require('psychrolib');

air.SetUnitSystem(air.SI);
const states = JSON.parse(readFileSync(0));
process.stdout.write(JSON.stringify(states.map((s) => {
  const share = s.Humidity / 100;
  const ratio = air.GetHumRatioFromRelHum(s.Celsius, share, s.Pascal);
  return {
    Saturation: air.GetSatVapPres(s.Celsius),
    Dew: air.GetTDewPointFromRelHum(s.Celsius, share),
    Ratio: ratio,
    Wet: air.GetTWetBulbFromRelHum(s.Celsius, share, s.Pascal),
    Density: air.GetMoistAirDensity(s.Celsius, ratio, s.Pascal),
    Enthalpy: air.GetMoistAirEnthalpy(s.Celsius, ratio),
  };
})));
