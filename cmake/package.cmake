# What the Debian package has beside the installed files; packaging/debian makes it (tools/dev package).
#
# The configuration of a fresh installation is the example with its meter as a comment: the service runs, and waits for
# a meter. The package puts a copy where the service looks if there is none; nobody edits this one.
file(READ ${CMAKE_SOURCE_DIR}/config/nightwatt.toml _example)
set_property(DIRECTORY APPEND PROPERTY CMAKE_CONFIGURE_DEPENDS ${CMAKE_SOURCE_DIR}/config/nightwatt.toml)
string(FIND "${_example}" "\n[[meter]]" _meter)
string(SUBSTRING "${_example}" 0 ${_meter} _settings)
string(SUBSTRING "${_example}" ${_meter} -1 _meter_example)
string(REGEX REPLACE "\n([^\n])" "\n# \\1" _meter_example "${_meter_example}")
file(CONFIGURE OUTPUT ${CMAKE_BINARY_DIR}/package/nightwatt.toml CONTENT "${_settings}${_meter_example}" @ONLY)
install(FILES ${CMAKE_BINARY_DIR}/package/nightwatt.toml DESTINATION ${CMAKE_INSTALL_DATADIR}/nightwatt)

# Every page that README links, in the places where the links lead. Pictures too; the sources of the manual pages not.
install(DIRECTORY docs/ DESTINATION ${CMAKE_INSTALL_DOCDIR}/docs FILES_MATCHING PATTERN "*.md" PATTERN "*.png" PATTERN "*.svg" PATTERN "*.py" PATTERN "man" EXCLUDE)
install(FILES DEVELOPERS.md DESTINATION ${CMAKE_INSTALL_DOCDIR})
