"""What a recording tells of each group: departures in meter, charge, capacity and resistance."""
