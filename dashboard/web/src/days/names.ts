// What the figures of Seven days are called.

const titles: Record<string, string> = {
  energy: 'Energy', energy_off_shift: 'Energy outside shifts', energy_unloaded: 'Energy unloaded', energy_cost: 'Cost of energy',
  peak_demand: 'Peak of power', air_delivered: 'Air delivered', air_demand_mean: 'Demand for air', air_demand_peak: 'Peak demand for air',
  quiet_demand: 'Quiet demand', leak_flow: 'Leaks', specific_power: 'Specific power', specific_energy: 'Energy for air', pressure_mean: 'Mean pressure', pressure_min: 'Lowest pressure',
  pressure_p05: 'Pressure it was above for 95 % of the time', time_below_minimum: 'Time below minimum', loaded_share: 'Loaded share', duty_cycle: 'Duty cycle', mean_load_fraction: 'Mean load',
  running_time: 'Running time', starts: 'Starts', load_cycles: 'Load cycles', power_loaded: 'Power loaded', power_unloaded_settled: 'Power unloaded',
  specific_power_loaded: 'Specific power under load', full_load_flow: 'Flow at full load', isentropic_efficiency: 'Isentropic efficiency', discharge_temperature_max: 'Highest discharge temperature', discharge_rise: 'Discharge over ambient',
  separator_drop: 'Drop over the separator', filter_drop: 'Drop over the filter', dryer_drop: 'Drop over the dryer', package_drop: 'Drop inside the package', treatment_drop: 'Drop from outlet to receiver',
  approach_temperature: 'Approach of the aftercooler', phase_unbalance: 'Voltage unbalance', blowdown_time: 'Blow-down', sump_pressure_residual: 'Sump pressure that stays', power_unloaded_mean: 'Mean power unloaded', delivery_delay: 'Delay of delivery',
};

export const titleOf = (name: string): string => titles[name] ?? name.replaceAll('_', ' ');
