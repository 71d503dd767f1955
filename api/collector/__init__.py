"""Reads what switches deliver by SNMP and sends it to the service. It runs in the customer's network, where
the switches can be reached, and speaks to the service over its API like any program; it needs no database.

| module | what it knows |
|---|---|
| `switch_list` | the file that names switches and credentials |
| `power_tables` | the tables of RFC 3621, and how their values are coded |
| `port_differences` | where the ports of a switch differ from the record |
| `snmp` | how a table is read, and what each failure means |
| `service` | how a reading is sent, and how the ports of the record are asked for |
"""
