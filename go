#!/bin/sh
# Sets up everything inside this folder (.tools, .venv), then does one job.
#   sh go demo    the main job: an invented study, measured, summarised and reported
#   sh go test    style, types, layers, and every test
#   sh go manual  the manual as a site, in the folder manual
#   sh go app     the pages in a browser, for the studies in a folder: sh go app FOLDER
# Needs Python 3.11 and pip; nothing outside this folder is touched.
set -eu
cd "$(dirname "$0")"
job="${1:-}"
case "$job" in
    demo) pins=requirements/run.txt ;;
    test|manual) pins=requirements/test.txt ;;
    app) pins=requirements/app.txt ;;
    *) echo "usage: sh go demo | sh go test | sh go manual | sh go app FOLDER" >&2; exit 2 ;;
esac
shift

[ -x .tools/bin/uv ] || python3 -m pip install --quiet --disable-pip-version-check --target .tools uv
uv=.tools/bin/uv
new=""
[ -x .venv/bin/python ] || { "$uv" venv --quiet --python 3.11 --python-preference only-system .venv; new=yes; }
"$uv" pip sync --quiet --python .venv/bin/python --require-hashes --compile-bytecode "$pins"
"$uv" pip install --quiet --python .venv/bin/python --no-deps --editable .
if [ -n "$new" ] && [ "$job" != manual ]; then
    echo "Preparing the measuring code for this machine: up to a minute, once."
    .venv/bin/python -c "from decussa.measuring.prepared import prepare_all; prepare_all()"
fi

if [ "$job" = demo ]; then
    exec .venv/bin/decussa demo "$@"
elif [ "$job" = manual ]; then
    exec .venv/bin/mkdocs build --strict "$@"
elif [ "$job" = app ]; then
    exec .venv/bin/decussa serve "$@"
fi
.venv/bin/ruff check src tests bench
.venv/bin/ruff format --check src tests bench
.venv/bin/mypy
.venv/bin/lint-imports --no-cache
exec .venv/bin/python -m pytest --numprocesses 3 --dist loadfile "$@"
