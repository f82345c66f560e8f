"""Links to instruments: in memory, VISA, serial, Modbus. Imports nothing heavy; `open_link` loads what it needs."""
