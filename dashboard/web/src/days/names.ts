// What the figures of Seven days are called.

const titles: Record<string, string> = {
  energy: 'Energy', energy_off_shift: 'Energy outside shifts', energy_unloaded: 'Energy unloaded', energy_cost: 'Cost of energy',
  peak_demand: 'Peak of power', air_delivered: 'Air delivered', air_demand_mean: 'Demand for air', air_demand_peak: 'Peak demand for air',
  quiet_demand: 'Quiet demand', leak_flow: 'Leaks', specific_power: 'Specific power', specific_energy: 'Energy for air', pressure_mean: 'Mean pressure', pressure_min: 'Lowest pressure',
  pressure_p05: 'Pressure it was above for 95 % of the time', time_below_minimum: 'Time below minimum', loaded_share: 'Loaded share', duty_cycle: 'Duty cycle', mean_load_fraction: 'Mean load',
  running_time: 'Running time', starts: 'Starts', load_cycles: 'Load cycles', power_loaded: 'Power loaded', power_unloaded_settled: 'Power unloaded',
};

export const titleOf = (name: string): string => titles[name] ?? name.replaceAll('_', ' ');
