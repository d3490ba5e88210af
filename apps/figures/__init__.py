"""Pictures: pure functions from what passim returned, and a theme, to a plotly figure. They place marks, no more.

theme       the palette, light and dark, and the looks all pictures share
time_axis   local time along an axis
strip       the next hour: satellites in view and gaps
gap_clock   gaps by date and local time of day
day_minutes one day, minute by minute
fleet       who of a fleet serves, and how old the elements are
sites       sites side by side
calls       when to begin a call: a row a day, seconds frozen by start, suggested calls
growth      gaps against the number of satellites, and a plan by date
"""
