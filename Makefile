# The two commands of the README, and a few for those who work on the project.
# Each target installs only what is not there yet.

PYTHON ?= python3
CORES ?= all
STUDY ?=

.PHONY: study test test-all fast check docs mutate lock written bench clean

study: .venv/study  ## set up, and run the demo study (or STUDY=my_study/study.yaml)
	.venv/bin/snakemake --cores $(CORES) --workflow-profile config/profiles/local $(if $(STUDY),--configfile "$(STUDY)")

test: .venv/dev  ## set up, and run the tests that everyone should see pass
	.venv/bin/python -m pytest -n auto

test-all: .venv/dev  ## all tests, with simulations of many studies and further whole runs
	.venv/bin/python -m pytest -n auto -m "long or not long" --durations=10

fast: .venv/dev  ## the fast tests only
	.venv/bin/python -m pytest -n auto -m "not long and not slow and not whole"

check: .venv/dev  ## format, lint and types of everything
	.venv/bin/ruff format --check .
	.venv/bin/ruff check .
	.venv/bin/snakefmt --check Snakefile config/workflow.smk config/rules
	.venv/bin/mypy

bench: .venv/dev  ## speed and memory against peers
	.venv/bin/python benchmarks/run.py

docs: .venv/dev  ## guides, a picture of the house and the library's docstrings as pages
	.venv/bin/python tests/docs/build.py docs

mutate: .venv/dev  ## break the library here and there, and see whether its tests notice
	.venv/bin/python tests/mutate.py --mutants 200 --seed 1

lock:  ## make both requirements files anew; needs uv
	uv pip compile -q pyproject.toml --group build --group dev --universal --python-version 3.11 \
	  --generate-hashes --no-annotate --custom-compile-command "make lock" -o requirements-dev.txt
	uv pip compile -q pyproject.toml --group build -c requirements-dev.txt --universal --python-version 3.11 \
	  --generate-hashes --no-annotate --custom-compile-command "make lock" -o requirements.txt

written:  ## the tables of keys in config/README.md, and results/README.md from what is told of the tables
	.venv/bin/python -c "from morpho.study.reading.explained import with_tables as w; \
	from morpho.study.reading.schemas import load_schema as l; \
	from morpho.study.settings.schema import study_schema as s; from pathlib import Path as P; \
	p = P('config/README.md'); p.write_text(w(p.read_text('utf-8'), s(), l('scheme')), 'utf-8')"
	.venv/bin/python -c "from morpho.results.readme import readme; \
	from pathlib import Path as P; P('results/README.md').write_text(readme(), encoding='utf-8')"

clean:  ## results of the demo study, not its data
	find results -mindepth 1 ! -name README.md -delete
	rm -rf .snakemake

.venv/study: requirements.txt pyproject.toml
	$(PYTHON) -m venv .venv
	.venv/bin/pip install --require-hashes -r requirements.txt
	.venv/bin/pip install --no-deps --no-build-isolation -e .
	touch .venv/study

.venv/dev: requirements-dev.txt pyproject.toml
	$(PYTHON) -m venv .venv
	.venv/bin/pip install --require-hashes -r requirements-dev.txt
	.venv/bin/pip install --no-deps --no-build-isolation -e .
	touch .venv/dev .venv/study
