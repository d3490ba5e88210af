"""Which tests hold passim against something that is not passim, and against what.

A test stands here only if the wanted value comes from outside the project: printed somewhere, or worked out by a
library that other people keep. Own arithmetic, however careful, does not count, and neither does a formula recalled
from a book whose figures were worked out here: those tests have other names (test_closed_form_*.py,
test_growth_laws.py, test_recalled_patterns.py, test_gateway_scan.py, test_step_simulation.py).

How a value is known: `printed, read` in a source that was opened; `printed, quoted` as others quote it, the source not
opened; `printed, recalled` from memory; `library` worked out by it while the test runs. SGP4 itself is the package's,
and UT1 skyfield's table: checks against those two packages are of what passim does with them and beside them.

| file | test | source | known |
|---|---|---|---|
| against_sgp4_vectors | the_files_hold_what_the_paper_says | AIAA 2006-6753 | printed, read |
| against_sgp4_vectors | every_state_of_the_file | AIAA 2006-6753 | printed, read |
| against_sgp4_vectors | the_set_without_a_state_is_refused_at_the_door | AIAA 2006-6753 | printed, read |
| against_sgp4_vectors | each_set_runs_to_its_end_or_into_the_error_its_authors_meant | AIAA 2006-6753 | printed, read |
| against_sgp4_vectors | wgs_72_is_meant | AIAA 2006-6753 | printed, read |
| against_sgp4_reader | the_whole_official_file_is_read | AIAA 2006-6753 | printed, read |
| against_sgp4_reader | every_number_agrees_with_the_other_reader | sgp4 package | library |
| against_skyfield | skyfield_reading_the_two_line_file_itself_sees_the_same_rises_and_sets | skyfield | library |
| against_skyfield | rises_and_sets_are_those_of_skyfields_altitude | skyfield | library |
| against_skyfield | passes_that_graze_the_mask | skyfield | library |
| against_skyfield | where_skyfield_sees_nothing_there_are_no_passes | skyfield | library |
| against_other_libraries | the_same_passes_seen_by | astropy | library |
| against_other_libraries | between_its_passes_every_library_sees_it_below_the_mask | PyEphem | library |
| against_rfc3357 | the_complement_of_what_was_received_is_the_loss_periods | RFC 3357 | printed, read |
| against_rfc3357 | the_gaps_of_one_packet_a_second_are_the_loss_periods | RFC 3357 | printed, read |
| against_rfc3357 | the_loss_periods_of_a_record_are_those_of_the_example | RFC 3357 | printed, read |
| against_time_and_frames | julian_dates_are_those_of_sgp4s_jday | sgp4 package | library |
| against_time_and_frames | julian_dates_are_those_of_erfas_calendar | SOFA, as pyerfa | library |
| against_time_and_frames | julian_dates_are_those_of_pyephem | PyEphem | library |
| against_time_and_frames | microseconds_are_those_of_pythons_calendar | Python's library | library |
| against_time_and_frames | ut1_is_that_of_the_bulletins_that_astropy_ships | IERS Bulletin B | printed, read |
| against_time_and_frames | sidereal_time_is_the_published_test_value_of_sofa | SOFA test program | printed, quoted |
| against_time_and_frames | sidereal_time_is_the_worked_example_of_a_textbook | Vallado's textbook | printed, recalled |
| against_time_and_frames | sidereal_time_is_that_of_erfa_at_any_moment | SOFA, as pyerfa | library |
| against_time_and_frames | sidereal_time_is_that_of_sgp4s_own_routine | sgp4 package | library |
| against_time_and_frames | sidereal_time_is_that_of_astropy_to_the_change_of_models | astropy | library |
| against_time_and_frames | sidereal_time_is_that_of_skyfield | skyfield | library |
| against_time_and_frames | the_earth_turns_at_the_rate_of_the_published_model | SOFA, as pyerfa | library |
| against_time_and_frames | epochs_of_two_line_sets_are_those_of_sgp4 | sgp4 package | library |
| against_time_and_frames | days_of_the_clock_are_those_of_dateutil | dateutil | library |
| against_time_and_frames | the_speed_of_light_is_that_of_codata | CODATA, as scipy | library |
| against_time_and_frames | the_ellipsoid_is_that_of_erfa | SOFA, as pyerfa | library |
| against_time_and_frames | the_gravity_of_the_closed_forms_is_astropys | astropy | library |
| against_time_and_frames | the_constants_of_sgp4_are_those_of_its_package | sgp4 package | library |
| against_time_and_frames | alpha_5_is_that_of_the_sgp4_package | sgp4 package | library |
| against_time_and_frames | places_are_those_of_erfa | SOFA, as pyerfa | library |
| against_time_and_frames | a_place_is_the_worked_example_of_a_textbook | Vallado's textbook | printed, recalled |
| against_time_and_frames | places_are_those_of_astropy | astropy | library |
| against_time_and_frames | places_are_those_of_pymap3d | pymap3d | library |
| against_time_and_frames | places_are_those_of_skyfield | skyfield | library |
| against_time_and_frames | directions_are_those_of_pymap3d | pymap3d | library |
| against_time_and_frames | a_direction_leads_back_to_pymap3ds_position | pymap3d | library |
| against_time_and_frames | the_turned_frame_is_erfas_rotation | SOFA, as pyerfa | library |
| against_time_and_frames | great_circles_are_those_of_astropy | astropy | library |
| against_time_and_frames | a_great_circle_is_the_worked_example_of_an_open_collection | Rosetta Code | printed, read |
| against_time_and_frames | bearings_are_those_of_astropy | astropy | library |
| against_time_and_frames | distances_stay_within_the_promise_of_the_ellipsoids_geodesic | Vincenty | library |
| against_time_and_frames | the_angle_to_the_arc_is_that_of_positions_by_pymap3d | pymap3d | library |
| against_rfc5545 | daily_for_ten_occurrences | RFC 5545 | printed, read |
| against_rfc5545 | daily_until_december_24 | RFC 5545 | printed, read |
| against_rfc5545 | every_ten_days_five_occurrences | RFC 5545 | printed, read |
| against_rfc5545 | weekly_for_ten_occurrences_over_the_change_of_the_clocks | RFC 5545 | printed, read |
| against_rfc5545 | every_day_in_january_for_years | RFC 5545 | printed, read |
| against_rfc5545 | the_day_on_which_a_week_starts_makes_a_difference | RFC 5545 | printed, read |
| against_rfc5545 | a_date_that_is_none_is_passed_over | RFC 5545 | printed, read |
| against_rfc5545 | what_is_written_is_read_by_icalendar | icalendar | library |
| against_ccsds502 | the_message_and_the_two_lines_are_one_set | CCSDS 502.0-B | printed, quoted |
| against_ccsds502 | a_day_of_the_year_is_the_date_it_stands_for | CCSDS 502.0-B | printed, quoted |
| against_ccsds502 | the_message_is_written_as_those_two_lines | CCSDS 502.0-B | printed, quoted |
| against_ccsds502 | the_check_digits_are_those_that_the_standard_prints | CCSDS 502.0-B | printed, quoted |
| against_ccsds502 | fields_are_read_in_every_form_as_the_standard_allows | CCSDS 502.0-B-3 | printed, read |
| against_ccsds502 | fields_beyond_the_standard_are_refused_in_every_form | CCSDS 502.0-B-3 | printed, read |
| against_ccsds502 | lines_of_a_message_are_as_the_standard_has_them | CCSDS 502.0-B-3 | printed, read |
| against_ccsds502 | what_is_written_has_the_order_and_spelling_of_the_standard | CCSDS 502.0-B-3 | printed, read |
| against_ccsds502 | sgp4s_own_reader_of_messages_gives_the_same_states | sgp4 package | library |
| against_statistics | false_alarms_of_the_tornado_forecasts_of_1884 | Finley 1884 | printed, read |
| against_statistics | threat_score_of_the_tornado_forecasts_of_1884 | Finley 1884 | printed, read |
| against_statistics | the_discriminant_of_the_tornado_forecasts_of_1884 | Finley 1884 | printed, read |
| against_statistics | accuracy_of_the_tornado_forecasts_of_1884 | Finley 1884 | printed, read |
| against_statistics | uncertainty_is_pythons_variance_of_the_outcomes | Python's library | library |
| against_statistics | resolution_is_pandas_variance_between_groups | pandas | library |
| against_statistics | none_in_view_is_scipys_binomial | scipy | library |
| against_statistics | the_normal_law_is_scipys | scipy | library |
| against_statistics | the_normal_law_is_that_of_printed_tables | tables of the normal law | printed, recalled |
| against_statistics | means_over_nodes_are_moments_of_scipys_normal | scipy | library |
| against_statistics | the_robust_sigma_is_scipys_median_deviation | scipy | library |
| against_statistics | overlaps_are_those_of_pandas_intervals | pandas | library |
| against_statistics | gap_statistics_are_those_of_pythons_statistics | Python's library | library |
| against_statistics | the_best_pairs_are_those_of_scipys_assignment | scipy | library |
| against_orbits_and_patterns | nodes_of_the_published_navigation_pattern | Galileo | printed, quoted |
| against_orbits_and_patterns | slots_and_planes_of_the_published_navigation_pattern | Galileo | printed, quoted |
| against_orbits_and_patterns | period_of_the_published_navigation_pattern | Galileo | printed, quoted |
| against_orbits_and_patterns | seventeen_revolutions_in_ten_sidereal_days | Galileo | printed, quoted |
| against_orbits_and_patterns | periods_are_those_of_astropys_constants | astropy | library |
| against_orbits_and_patterns | mean_motion_of_a_pattern_gives_sgp4_the_altitude_asked_for | sgp4 package | library |
| against_orbits_and_patterns | the_node_of_a_shell_turns_as_sgp4_has_it | sgp4 package | library |
| against_orbits_and_patterns | the_central_angle_is_a_root_of_the_elevation | scipy | library |
| against_orbits_and_patterns | a_pass_off_the_track_lasts_as_long_as_scipys_great_circle_stays_near | scipy | library |
| against_orbits_and_patterns | the_worst_place_under_a_pattern_is_a_corner_of_scipys_voronoi_cells | scipy | library |
| timing | half_the_errors_are_smaller_than_the_published_median | arXiv:2605.19850 | printed, read |
| timing | the_median_between_is_that_of_the_published_cohorts_together | arXiv:2605.19850 | printed, read |
| timing | manoeuvres_are_as_frequent_as_published | arXiv:2605.19850 | printed, read |
| odds_come_true | the_usual_model_comes_true_where_errors_are_as_published | arXiv:2605.19850 | printed, read |
| verification | decomposition_of_the_published_table | Wilks 1995, table 7.3 | printed, quoted |
| line_statistics | bounds_of_a_count_are_scipys_chi_squares | scipy | library |
| line_statistics | bounds_of_a_share_are_scipys | scipy | library |
| line_statistics | the_strength_of_a_train_is_astropys_length_of_the_mean_direction | astropy | library |
"""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROWS = [
    tuple(cell.strip() for cell in line.strip("|").split("|"))
    for line in (__doc__ or "").splitlines()
    if line.startswith("|") and not line.startswith(("| file", "|---"))
]
KNOWN = {"printed, read", "printed, quoted", "printed, recalled", "library"}
# Tests that stand beside outside ones in files named for a source, and are about passim itself.
BESIDE = {
    "test_against_ccsds502.py::test_a_message_that_sgp4_must_not_take_is_refused",
    "test_against_rfc5545.py::test_rules_for_a_year_are_those_of_dateutil",  # passim expands rules by dateutil too
    "test_against_sgp4_reader.py::test_as_it_stands_the_made_up_sets_are_refused_for_their_checksums",
    "test_against_sgp4_reader.py::test_the_other_reader_takes_what_ours_refuses",
    "test_against_sgp4_vectors.py::test_a_set_written_and_read_back_has_the_same_states_over_seven_days",
    "test_against_sgp4_vectors.py::test_states_that_sgp4_calls_good_but_are_not_in_orbit_are_refused",
    "test_against_sgp4_vectors.py::test_the_compiled_propagator_is_the_one_in_use",
    "test_against_statistics.py::test_how_many_are_in_view_is_numpys_histogram_of_seconds",
    "test_against_statistics.py::test_skill_is_the_coefficient_of_determination_over_climatology",
    "test_against_statistics.py::test_the_brier_score_is_numpys_mean_square",
    "test_against_statistics.py::test_union_and_complement_are_those_of_a_row_of_seconds",
}


def names_in(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {
        f"{path.name}::{node.name}"
        for node in tree.body
        if isinstance(node, ast.FunctionDef) and node.name[:5] == "test_"
    }


REGISTERED = [f"test_{file}.py::test_{test}" for file, test, *_ in ROWS]


def test_every_test_of_the_register_exists_once() -> None:
    assert all(len(row) == 4 for row in ROWS)
    there = {name for path in HERE.glob("test_*.py") for name in names_in(path)}
    assert [name for name in REGISTERED if name not in there] == []
    assert [name for name, count in Counter(REGISTERED).items() if count > 1] == []


def test_sixty_checks_from_twenty_sources_stand() -> None:
    assert len(REGISTERED) >= 60
    assert len({source for *_, source, _ in ROWS}) >= 20
    assert {known for *_, known in ROWS} <= KNOWN
    # A good part of them is printed somewhere, not only worked out by other programs.
    assert sum(known != "library" for *_, known in ROWS) >= 30


def test_files_named_for_a_source_hold_outside_checks() -> None:
    named = {name for path in HERE.glob("test_against_*.py") for name in names_in(path)}
    assert named - set(REGISTERED) == BESIDE
    assert not BESIDE & set(REGISTERED)
