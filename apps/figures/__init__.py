"""Pictures: pure functions from what passim returned, and a theme, to a plotly figure. They place marks, no more.

theme           the palette, light and dark, and the looks all pictures share
time_axis       local time along an axis
regions         many regions without service as one hatched path
keys            what stands in a key for the strokes of a line
strip           the next hour: satellites in view and gaps
gap_clock       gaps by date and local time of day
day_minutes     one day, minute by minute
calls           when to begin a call: a row a day, seconds frozen by start, suggested calls
growth          gaps against the number of satellites, and a plan by date
sites           sites side by side
places          service by latitude, and over the world
equal_earth     the map's projection, and hatching in it
sky             the panorama of the sky; sky_lines, its passes; sky_limits, its limits
horizon_change  two horizons, and the gaps that each leaves
fleet           who of a fleet serves, and how old the elements are
hindcast        what became of the gaps that older elements forecast
"""
