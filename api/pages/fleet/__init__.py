"""From all customers to one site: the start, search, the fleet, contracts, customers, sites and surveys."""
