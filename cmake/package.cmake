# The Debian package: `cpack` in the build folder, or tools/dev package.
# What goes into it beside the installed files stands in packaging/.
set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGE_NAME nightwatt)
set(CPACK_PACKAGE_VENDOR "the Nightwatt authors")
set(CPACK_PACKAGE_CONTACT "the Nightwatt authors <nightwatt@localhost>")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "recorder of plug power meters, with figures and their uncertainty")
set(CPACK_DEBIAN_PACKAGE_DESCRIPTION
    "A service that records what serial energy meters say, every reading as it
came, and a query tool that finds the stretches of each run (off, standby,
idle, load) and gives what a device draws, each figure with its uncertainty.
.
Meters that speak Modbus RTU or print lines of text are set up by a profile,
without code. Everything is in one SQLite file, which members of the group
nightwatt may query.")
set(CPACK_DEBIAN_PACKAGE_SECTION science)
set(CPACK_DEBIAN_PACKAGE_PRIORITY optional)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PACKAGE_DEPENDS "adduser")
set(CPACK_DEBIAN_PACKAGE_RECOMMENDS "systemd")
set(CPACK_DEBIAN_PACKAGE_SUGGESTS "bash-completion")
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_STRIP_FILES ON)
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_INSTALL_DEFAULT_DIRECTORY_PERMISSIONS
    OWNER_READ OWNER_WRITE OWNER_EXECUTE GROUP_READ GROUP_EXECUTE WORLD_READ WORLD_EXECUTE)
set(_debian ${CMAKE_SOURCE_DIR}/packaging/debian)
set(CPACK_DEBIAN_PACKAGE_CONTROL_EXTRA ${_debian}/postinst ${_debian}/prerm ${_debian}/postrm ${_debian}/conffiles)
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)

# The configuration of a fresh installation is the example with its meter as a comment: the service runs, and waits for
# a meter. It goes into the package alone, since `cmake --install` would overwrite what is there.
file(READ ${CMAKE_SOURCE_DIR}/config/nightwatt.toml _example)
set_property(DIRECTORY APPEND PROPERTY CMAKE_CONFIGURE_DEPENDS ${CMAKE_SOURCE_DIR}/config/nightwatt.toml)
string(FIND "${_example}" "\n[[meter]]" _meter)
string(SUBSTRING "${_example}" 0 ${_meter} _settings)
string(SUBSTRING "${_example}" ${_meter} -1 _meter_example)
string(REGEX REPLACE "\n([^\n])" "\n# \\1" _meter_example "${_meter_example}")
file(CONFIGURE OUTPUT ${CMAKE_BINARY_DIR}/package/etc/nightwatt/nightwatt.toml
     CONTENT "${_settings}${_meter_example}" @ONLY)
set(CPACK_INSTALLED_DIRECTORIES "${CMAKE_BINARY_DIR}/package/etc;/etc;${CMAKE_BINARY_DIR}/package/doc;/usr/share/doc/nightwatt")

# What Debian's policy wants beside it.
file(COPY ${_debian}/copyright DESTINATION ${CMAKE_BINARY_DIR}/package/doc)
set(CPACK_INSTALLED_DIRECTORIES "${CMAKE_BINARY_DIR}/package/etc;/etc;${CMAKE_BINARY_DIR}/package/doc;/usr/share/doc/nightwatt")

# What Debian's policy wants beside it.
file(COPY ${_debian}/copyright DESTINATION ${CMAKE_BINARY_DIR}/package/doc)
execute_process(COMMAND gzip -9nc INPUT_FILE ${_debian}/changelog
                OUTPUT_FILE ${CMAKE_BINARY_DIR}/package/doc/changelog.gz)
include(CPack)
