#!/usr/bin/env bash
# Sets up what the tests need, then runs them. Debian packages are installed where that is allowed
# (root, or sudo without a password); elsewhere the ones that are missing are named.
set -euo pipefail
cd "$(dirname "$0")/.."

declare -A needs=([tesseract]=tesseract-ocr [espeak-ng]=espeak-ng [flite]=flite [npm]=npm)
missing=()
for program in "${!needs[@]}"; do
    command -v "$program" >/dev/null || missing+=("${needs[$program]}")
done
ldconfig -p 2>/dev/null | grep -q libportaudio.so.2 || missing+=(libportaudio2)
ldconfig -p 2>/dev/null | grep -q libpangoft2-1.0.so.0 || missing+=(libpango-1.0-0 libpangoft2-1.0-0)
command -v chromium >/dev/null || command -v chromium-browser >/dev/null || command -v google-chrome >/dev/null || missing+=(chromium)
if ((${#missing[@]})); then
    as_root=()
    if [ "$(id -u)" != 0 ]; then as_root=(sudo -n); fi
    if ! { command -v apt-get >/dev/null && "${as_root[@]}" apt-get update -qq \
            && "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq "${missing[@]}" >/dev/null; }; then
        echo "install these first, then run this again: ${missing[*]}" >&2
        exit 2
    fi
fi

python=${PYTHON:-python3}
"$python" -c 'import sys; sys.exit(not ((3, 11) <= sys.version_info < (3, 14)))' \
    || { echo "Python 3.11 to 3.13 is needed; name one with PYTHON=..." >&2; exit 2; }
"$python" -m venv .venv-test
.venv-test/bin/python -m pip install --quiet --upgrade pip
.venv-test/bin/python -m pip install --quiet '.[test]'
npm install --silent --no-audit --no-fund --no-save --prefix .venv-test axe-core@4 >/dev/null     # accessibility rules, run in the browser
exec .venv-test/bin/python -m pytest "$@"
