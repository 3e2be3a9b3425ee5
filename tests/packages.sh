# Sourced. Installs what building and testing need, where it is missing. Usage: need_packages PACKAGE...
# Works without network once the packages are there; without root it says what to install.
need_packages() {
    missing=
    for package in "$@"; do
        dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q 'install ok installed' || missing="$missing $package"
    done
    [ -z "$missing" ] && return 0
    if [ "$(id -u)" = 0 ]; then become=; elif sudo -n true 2>/dev/null; then become='sudo -n'; else
        echo "Please install as root: apt-get install$missing" >&2
        return 1
    fi
    echo "Installing$missing"
    # shellcheck disable=SC2086
    $become env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null 2>&1 && return 0
    $become apt-get update -qq >/dev/null
    # shellcheck disable=SC2086
    $become env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null
}
BUILD_PACKAGES='gcc libc6-dev cmake ninja-build pkg-config libserialport-dev libconfig-dev libcmocka-dev libuv1-dev libsqlite3-dev libjansson-dev'
