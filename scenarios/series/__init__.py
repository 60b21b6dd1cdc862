"""The invented meter series and trips of each site, one module a site."""
