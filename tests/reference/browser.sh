#!/usr/bin/env bash
# Gets what drive_pages.py needs: Debian's chromium and chromium-driver, where they are not there
# and this is root, and their Python packages into the environment VENV.
#
#     tests/reference/browser.sh VENV
#
# Exit code 77, and a word about it, where there is no browser and none can be installed.
set -euo pipefail
venv=$1
if ! [ -x /usr/bin/chromium ] || ! [ -x /usr/bin/chromedriver ]; then
    if [ "$(id -u)" != 0 ] || ! command -v apt-get >/dev/null; then
        echo "skipped: no Chromium with its driver here, and only root can install them"
        exit 77
    fi
    export DEBIAN_FRONTEND=noninteractive
    apt-get update -qq
    apt-get install -y -qq --no-install-recommends chromium chromium-driver >/dev/null
fi
# axe-playwright-python is taken for the copy of axe-core in it; its own driver is not needed.
"$venv/bin/pip" install --quiet --disable-pip-version-check --no-input selenium==4.51.0
"$venv/bin/pip" install --quiet --disable-pip-version-check --no-input --no-deps \
    axe-playwright-python==0.1.8
