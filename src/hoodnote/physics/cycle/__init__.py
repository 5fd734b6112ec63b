"""The refrigerant circuit of a vehicle at steady state, from conditions and an optional fault to what gauges and thermometers would show."""
