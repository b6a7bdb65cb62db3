"""The one table of metrics drives everything else."""

from pipeline.models.metrics import METRICS
from tests.models.readme_table import README, split, table

CONTRACT = {
    "brightness_hz",
    "tilt_db_per_octave",
    "body_db",
    "mud_db",
    "presence_db",
    "fizz_db",
    "crest_db",
    "plr_db",
    "lra_lu",
    "noise_dbfs",
    "hum_db",
    "linear_share",
    "compression_db_per_db",
}


def test_every_run_computes_the_agreed_metrics():
    assert {metric.key for metric in METRICS} >= CONTRACT


def test_keys_and_labels_are_unique():
    assert len({metric.key for metric in METRICS}) == len(METRICS)
    assert len({metric.label for metric in METRICS}) == len(METRICS)


def test_the_readme_shows_the_table_as_it_is():
    assert split(README.read_text(encoding="utf-8"))[1] == table()
