"""Owns where each number of the plant lies: states, parameters, inputs, taps, energies, and the enumerations.

The kernels work on plain float arrays; these named tuples of indices are compiled in as constants. What is not
named here does not exist for the plant. Units are SI; powers and currents follow the project's signs.
"""

from typing import NamedTuple


class States(NamedTuple):
    """Index of each state in the state array."""

    # battery
    soc: int
    v_rc1: int
    v_rc2: int
    v_full: int  # over-potential of charging near full, V: it builds up on the double layer
    cell_temperature: int
    protection_closed: int  # the battery's own contactor
    t_over_voltage: int  # timers of the battery's protection, s
    t_over_cell: int
    t_over_current: int
    t_low_voltage: int
    hysteresis: int  # of the open-circuit voltage: -1 discharging branch, 1 charging branch
    soc_estimate: int  # what the battery's own management believes
    charge_limit: int  # A, charge current that it allows at this moment
    discharge_limit: int  # A, likewise
    side_current: int  # A that charges nothing: gassing, and what charge efficiency takes
    drawn_rate: int  # A, discharge current as the rate effect on capacity sees it
    t_low_cell: int  # more timers of the battery's protection, s
    t_hot: int
    t_cold: int
    t_opened: int  # s for which the bench has held an opened battery apart
    # DC link
    link: int  # V
    link_current: int  # A into the battery, last (sub)step
    terminal: int  # battery terminal voltage on the cell side
    precharging: int
    # battery inverter
    mode: int
    t_mode: int
    relay: int  # transfer relay closed
    t_lost: int
    t_grid_good: int
    frequency: int  # of the bus it forms, Hz
    v_reference: int
    p_command: int  # AC power in grid mode
    stage: int
    t_stage: int
    t_tail: int
    t_rise: int
    t_sag: int
    u_shift: int  # frequency shift in units of the shift range: -1 none, 0 start, 1 stop, 2 maximum
    z_voltage: int  # integrators of the four loops
    z_current: int
    z_cell: int
    z_power: int
    m_voltage: int  # the battery inverter's own filtered measurements
    m_current: int
    m_cell: int
    m_power: int
    m_taken: int
    m_frequency: int
    heat: int  # of the overload, 1: it gives up
    t_held_down: int  # s for which its bus has lain low at its current limit
    t_surge: int
    throwing_off: int
    t_thrown: int
    t_in_phase: int
    t_pass: int  # s above what its transfer relay bears
    t_failing: int  # s at the highest shift without holding the limits
    t_held: int  # s for which every limit has held
    given_up: int  # it throws PV off since the shift did not hold the limits
    t_low: int  # s below the low-battery cut-off
    t_recovered: int  # s above its restart voltage
    t_grace: int  # s for which it still bears a low battery after a new try
    equalised: int  # the equalising charge asked for has been given
    u_least: int  # where the shift begins: -1, or -2 with a DC-coupled array
    # DC-coupled array
    dc_available: int  # W that its charge controller could bring
    dc_own: int  # share that its own voltage limit allows
    p_dc_pv: int
    p_dc_array: int
    v_dc_array: int
    # network
    v_bus: int  # of phase 1 against neutral
    v_low: int  # lowest and highest phase
    v_high: int
    f_bus: int
    f_seen: int  # the same with what a jump of the phase adds within the step
    f_grid: int  # of the grid's source, on its way to what was ordered
    jump: int  # cycles by which the phase jumps in the next step
    limited: int  # 1 or -1 while the bridge holds its current limit, giving or taking
    p_taken: int  # W that the most charging phase of the battery inverter takes, times the phases
    s_worst: int  # VA of the most loaded phase of the battery inverter, times the phases
    phase_bus: int  # cycles
    phase_grid: int  # cycles
    phase_lock: int  # cycles by which the running phase of the bus lay off the grid's when last joined to it
    p_grid: int
    p_inverter: int
    p_pv: int
    p_load: int
    q_grid: int  # var, same signs as the powers
    q_inverter: int
    q_pv: int
    q_load: int
    y_between: int  # conductance from L1 to L2
    slip: int  # of the motor among the loads
    lost_at: int  # when the grid last changed, or the bus was last left without a source
    relay_at: int  # when the transfer relay will have opened
    draw: int  # state of the generator of chance, 1..2147483646


class Parameters(NamedTuple):
    """Index of each parameter in the parameter array."""

    # battery
    cells: int
    capacity: int  # C
    r0: int
    r1: int
    c1: int
    r2: int
    c2: int
    cell_spread: int  # state of charge of the highest (lowest) cell above (below) the mean
    heat_capacity: int  # J/K
    thermal_time: int  # s
    ambient: int  # K
    v_protection: int
    v_protection_low: int
    protection_delay: int
    v_cell_protection: int
    over_current: int
    over_current_delay: int
    charge_current_limit: int
    v_cell_protection_low: int
    hot: int  # K, protection against heat, and against charging in the cold
    cold: int
    temperature_delay: int
    reset_time: int  # s apart from the bench after which the protection closes again; 0: never
    hysteresis: int  # V of the pack: half the gap between charging and discharging branch
    hysteresis_rate: int  # per unit state of charge
    activation: int  # K: activation energy of the resistances over the gas constant
    low_rise: int  # rise of the resistances at no charge, per unit, over the last fifth
    full_rise: int  # rise of the charging resistance at full charge, per unit
    c_full: int  # F of the pack, the double layer across that rise
    full_width: int  # state of charge over which that falls by e
    inefficiency: int  # share of the charge current that charges nothing
    gas_current: int  # A at 2.23 V a cell and 20 degC
    gas_voltage: int  # 1/V
    gas_temperature: int  # 1/K
    rate_exponent: int  # Peukert's exponent less one
    rate_current: int  # A at which capacity is rated
    rate_time: int  # s with which the rate effect follows
    estimate_gain: int  # of the management's own current meter
    estimate_offset: int  # A
    recalibrates: int  # whether it sets its estimate to 1 at full charge
    full_cell: int  # V a cell at which it does so
    full_current: int  # A below which it does so
    taper_from: int  # state of charge from which the allowed charge current falls
    taper_least: int  # share of it that is left at full charge
    warm: int  # K from which the whole charge current is allowed; none at `cold`
    v_temperature: int  # V/K, temperature compensation of the charge voltage, pack
    soc_first: int  # first state of charge in the table, and its spacing
    soc_step: int
    # DC link
    link_capacitance: int
    bleed: int  # ohm
    precharge: int  # ohm
    dc_trip_high: int
    dc_trip_low: int
    # battery inverter
    p_rated: int
    p_surge: int
    overload_time: int
    surge_time: int
    sag_time: int
    dc_nominal: int  # V at which the losses are stated
    v_nominal: int
    f_nominal: int
    idle_loss: int
    linear_loss: int
    square_loss: int
    standby_loss: int
    r_output: int
    r_transient: int
    recovery_time: int
    detect_time: int
    transfer_time: int
    transfer_spread: int  # by how much a transfer may be faster
    grid_wait: int
    loss_window: int
    start_time: int
    grid_low: int  # V, f windows in which the grid counts as good
    grid_high: int
    grid_f_low: int
    grid_f_high: int
    charge_current: int
    grid_charge_current: int
    charge_from_surplus: int
    v_absorption: int
    v_float: int
    absorption_time: int
    tail_current: int
    tail_hold: int
    full_soc: int
    rebulk_soc: int
    after_charge: int  # stage after absorption: 3 float, 4 rest
    v_cell_limit: int
    shift_start: int  # Hz above nominal
    shift_stop: int
    shift_maximum: int
    shift_rate: int  # Hz/s
    loop_gain: int
    loop_integral: int  # 1/s
    voltage_integral: int  # 1/s, likewise, of the two loops that hold a voltage
    tracking_time: int
    measuring_time: int
    v_scale: int  # V of battery voltage per unit of power
    throw_off: int  # Hz, 0: none
    sync_rate: int  # Hz/s
    sync_angle: int  # cycles
    sync_slip: int  # Hz
    sync_voltage: int  # V
    sync_hold: int  # s
    pass_power: int  # W
    pass_time: int
    give_up_after: int  # s
    v_equalise: int  # 0: none
    equalise_time: int
    v_low: int  # low-battery cut-off, 0: none
    low_delay: int
    v_restart: int
    restart_wait: int
    restart_try: int
    # DC-coupled array
    dc_present: int
    dc_current: int
    dc_efficiency: int
    dc_idle: int
    dc_tracking: int
    v_charger: int
    # grid and bus
    phases: int
    v_factor: int  # voltages on the nameplate over those of a phase: 2 on split-phase
    grid_neutral: int  # ohm
    motor_inertia: int  # s
    bus_rise: int  # s, rise of a bus that nobody forms under a PV surplus
    bus_clamp: int  # V
    drift: int  # Hz/s of a bus that nobody forms


class PvStates(NamedTuple):
    """Index of each state of one PV inverter; each has a row of its own."""

    mode: int
    t_enter: int
    ramp: int
    recovery: int
    limit: int  # per unit of rated power, after the frequency-power curve and its response time
    available: int  # W at the AC side
    crossing: int  # per unit power when the start frequency was crossed
    over: int
    v: int  # measured
    f: int
    f_late: int  # measured, after the response's dead time
    t_of: int
    t_uf: int
    t_ov: int
    t_uv: int
    t_of2: int  # the further levels of the trips
    t_uf2: int
    t_ov2: int
    t_uv2: int
    t_faint: int  # s for which the light has been too faint to go on
    lowest: int  # per unit power to which a latching response has fallen
    volt_limit: int  # per unit power that the voltage allows, after its response time
    volt_vars: int  # per unit vars that the voltage asks for, likewise
    current: int  # A that it drives in each of its conductors, in phase with their voltage
    reactive_current: int  # A, a quarter cycle behind that voltage; positive delivers vars to the bus
    power: int  # W that it put out in the last step, all its phases
    reactive_power: int  # var that it delivered
    p_dc: int
    v_array: int
    i_array: int
    cut_back: int  # per unit power that it was told not to give, as far as it has followed


class PvParameters(NamedTuple):
    """Index of each parameter of one PV inverter and its array; each has a row of its own."""

    present: int
    connection: int  # as `Connections`
    phases: int  # 1 or 3: over how many conductors its power divides at that voltage
    v_rated: int  # V at its terminals: of a phase, or between two
    rated: int  # W, all phases
    start: int
    zero: int
    reference: int  # 0 rated power, 1 power at crossing (scaled), 2 power at crossing less the slope
    responds: int
    time: int  # time constant of the response
    tracking: int  # time constant of following the sun
    f_window: int
    f_delay: int  # s, dead time of the response
    v_window: int
    f_trip: int
    f_trip_low: int
    f_trip_delay: int
    v_trip: int
    v_trip_low: int
    v_trip_delay: int
    v_trip_low_delay: int
    enter_delay: int
    ramp_time: int
    enter_f_low: int
    enter_f_high: int
    enter_v_low: int
    enter_v_high: int
    cease_v: int
    recovery_time: int
    loss0: int
    loss1: int
    loss2: int
    wake: int  # W of array power below which it sleeps
    hold: int  # W at its terminals below which it gives up after `hold_time`; 0: never
    hold_time: int
    latches: int  # whether power stays down until the frequency has fallen below `release`
    release: int  # Hz
    recovery_rate: int  # per unit power a second on release; 0: at once
    f_trip2: int  # further levels of the trips
    f_trip2_delay: int
    f_trip2_low: int
    f_trip2_low_delay: int
    v_trip2: int
    v_trip2_delay: int
    v_trip2_low: int
    v_trip2_low_delay: int
    f_trip_low_delay: int
    apparent: int  # VA
    var_v1: int  # volt-var: four points, per unit of rated voltage, and per unit vars (positive: delivered)
    var_v2: int
    var_v3: int
    var_v4: int
    var_q1: int
    var_q4: int
    var_time: int  # time constant; 0: no volt-var
    watt_v1: int  # volt-watt: full power up to the first voltage, `watt_p2` at the second
    watt_v2: int
    watt_p2: int
    watt_time: int  # time constant; 0: no volt-watt


class PvInputs(NamedTuple):
    """Index of each setting of one PV inverter's array."""

    irradiance: int
    temperature: int
    on: int
    p_array: int  # maximum array power at this irradiance and temperature, W (0 while the source is off)
    cut_back: int  # part of its rated power that it is told not to give
    held_off: int  # 1: it is told to leave the bus


class Inputs(NamedTuple):
    """Index of each setting in the input array."""

    load_l1: int  # W at nominal voltage, linear; the three in a row
    load_l2: int
    load_l3: int
    load_between: int  # from L1 to L2 of split-phase
    load_reactive: int  # var, inductive, over all phases
    load_constant: int  # W, over all phases, likewise the following
    load_rectifier: int
    load_phase_cut: int
    load_motor: int
    phase_cut_angle: int  # rad
    load_on: int
    grid_closed: int
    grid_voltage_l1: int  # V of each phase against neutral, open circuit; the three in a row
    grid_voltage_l2: int
    grid_voltage_l3: int
    grid_frequency: int
    grid_rate: int  # Hz/s at which the frequency goes to what was ordered; 0: at once
    grid_r: int
    grid_x: int
    pv_contactor: int
    battery_contactor: int
    inverter_enable: int
    interlock_closed: int
    equalise: int  # an equalising charge is asked for


class Energies(NamedTuple):
    """Index of each energy counter, J since the start; each is integrated on its own."""

    grid_source: int  # delivered by the ideal source behind the grid's impedance
    grid_meter: int  # imported at grid.power's meter
    array: int  # delivered by the array
    pv: int  # AC, to the bus
    battery_inverter: int  # AC, to the bus
    load: int
    battery: int  # DC, into the battery at its meter
    dc_array: int  # delivered by the DC-coupled array
    dc_pv: int  # into the battery side by its charge controller
    lost_grid: int
    lost_pv: int
    lost_inverter: int
    lost_battery: int
    lost_precharge: int
    lost_bleed: int
    lost_dc_pv: int


class Net(NamedTuple):
    """Rows of the array of phasors, one column a phase; A and V, RMS."""

    v: int  # against neutral
    emf: int  # of what forms the bus
    injected: int  # into the bus by what follows
    current: int  # out of what forms the bus
    load: int
    pv: int  # all PV inverters together, before anything cuts them back
    inverter: int
    grid: int
    slow: int  # slow part of the battery inverter's current (voltage recovery)
    admittance: int  # of the loads to neutral
    axis: int  # direction of the voltage in the last step
    across: int  # the same between L1 and L2
    scale: int  # what the bus took of the PV current
    distortion: int  # RMS of the loads' harmonic currents, and of those that add up in the neutral
    triplen: int
    nothing: int  # zeros
    matrix: int  # and the two rows after it: room to solve in


S = States(*range(len(States._fields)))
P = Parameters(*range(len(Parameters._fields)))
U = Inputs(*range(len(Inputs._fields)))
E = Energies(*range(len(Energies._fields)))
V = PvStates(*range(len(PvStates._fields)))
Q = PvParameters(*range(len(PvParameters._fields)))
W = PvInputs(*range(len(PvInputs._fields)))
N = Net(*range(len(Net._fields)))
NET_ROWS = len(Net._fields) + 2
PV_MOST = 3  # PV inverters on one bus

# Taps: what an instrument can be connected to. The order is the order of a ring row.
TAPS: tuple[str, ...] = (
    "grid.voltage", "grid.current", "grid.power", "grid.frequency", "grid.closed",
    "bus.voltage", "bus.frequency",
    "battery_inverter.power", "battery_inverter.current",
    "pv.voltage", "pv.current", "pv.power", "pv.frequency",
    "load.voltage", "load.current", "load.power",
    "battery.voltage", "battery.cell_side_voltage", "battery.current", "battery.power", "battery.soc",
    "battery.cell_voltage_max", "battery.cell_voltage_min", "battery.temperature",
    "pv_source.voltage", "pv_source.current", "pv_source.power",
    "relays.pv_contactor", "relays.battery_contactor", "relays.inverter_enable", "interlock.closed",
    "battery_inverter.state", "battery_inverter.stage", "battery_inverter.mode", "battery_inverter.shift",
    "pv_inverter.state", "dc_link.voltage",
    "bus.phase", "grid.phase", "grid.source_voltage", "grid.source_frequency",
    "load.resistance", "battery.protection_closed", "pv.available",
    # further on: of each phase (zero where there is none), of the neutral, of each PV inverter
    *(f"{name}_l{k}" for name in (
        "bus.voltage", "grid.voltage", "load.power", "load.current", "battery_inverter.power",
        "battery_inverter.current", "pv.power", "pv.current", "grid.power", "grid.current",
    ) for k in (1, 2, 3)),
    "bus.current_n", "load.current_n", "grid.current_n", "bus.unbalance",
    "load.reactive_power", "battery_inverter.reactive_power", "pv.reactive_power", "grid.reactive_power",
    "load.distortion_current", "load.motor_slip", "battery.soc_estimate",
    *(f"pv_{k}.{name}" for k in range(1, PV_MOST + 1) for name in ("power", "current", "available", "state")),
    "dc_pv.power", "dc_pv.voltage", "dc_pv.current", "dc_pv.available", "dc_pv.array_power",
    "pv.voltage_l1", "pv.voltage_l2", "pv.voltage_l3",
)  # fmt: skip


class Modes(NamedTuple):
    """What the battery inverter is doing."""

    off: int = 0
    starting: int = 1
    grid: int = 2  # pass-through: the grid forms the bus
    transfer: int = 3  # grid lost and noticed, transfer relay opening: nobody forms the bus
    island: int = 4
    synchronising: int = 5
    fault: int = 6  # latched until its enable is taken away
    low_battery: int = 7  # off to spare the battery, until it recovers, the grid comes, or it tries again


class Stages(NamedTuple):
    """Charge stages."""

    none: int = 0
    bulk: int = 1
    absorption: int = 2
    float: int = 3
    rest: int = 4
    equalise: int = 5


class Connections(NamedTuple):
    """Between which conductors something lies."""

    l1: int = 0
    l2: int = 1
    l3: int = 2
    l1_l2: int = 3
    all_phases: int = 4


class PvModes(NamedTuple):
    """What the PV inverter is doing."""

    asleep: int = 0
    waiting: int = 1
    on: int = 2


class InverterStates(NamedTuple):
    """Operating states as SunSpec model 701 numbers them (InvSt)."""

    off: int = 0
    sleeping: int = 1
    starting: int = 2
    running: int = 3
    throttled: int = 4
    shutting_down: int = 5
    fault: int = 6
    standby: int = 7


class Kinds(NamedTuple):
    """Numbers of the kinds of event in the kernel's event rows; their names are in `sim.events`."""

    load_step: int = 1
    grid_lost: int = 2
    grid_back: int = 3
    transfer: int = 4
    re_transfer: int = 5
    pv_trip: int = 6
    pv_connect: int = 7
    protection_opened: int = 8
    dc_trip: int = 9
    inverter_stop: int = 10
    contactor: int = 11
    stage: int = 12
    island_start: int = 13
    transfer_start: int = 14
    sync_start: int = 15
    setting: int = 16
    throw_off: int = 17


MODE, STAGE, PV_MODE, INVERTER, KIND = Modes(), Stages(), PvModes(), InverterStates(), Kinds()
CONNECTION = Connections()
EVENT_COLUMNS = 6  # time, kind, four numbers
