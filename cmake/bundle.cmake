# Bundles a page's script and style with the npm packages they use.
#
# The packages are those of figures/report/package-lock.json: fetched by npm once into the build folder, again only when that
# file changes, and never at run time. Nothing of them is in the tree.
#
# Without npm the report is complete too, only its curves stand still; or what was bundled elsewhere is taken.
set(NIGHTWATT_BUNDLE "npm" CACHE STRING "npm; none; or a folder with report_script.js, report_style.css and chart_licence.txt")

set(NIGHTWATT_NPM ${CMAKE_BINARY_DIR}/npm)
if(NIGHTWATT_BUNDLE STREQUAL "npm")
  find_program(NODE node REQUIRED)
  find_program(NPM npm REQUIRED)
  set(_npm_files package.json package-lock.json .npmrc)
  list(TRANSFORM _npm_files PREPEND ${CMAKE_SOURCE_DIR}/figures/report/)
  # --ignore-scripts: no package runs a program of its own at install.
  add_custom_command(OUTPUT ${NIGHTWATT_NPM}/installed
    COMMAND ${CMAKE_COMMAND} -E make_directory ${NIGHTWATT_NPM}
    COMMAND ${CMAKE_COMMAND} -E copy ${_npm_files} ${NIGHTWATT_NPM}
    COMMAND ${NPM} --prefix ${NIGHTWATT_NPM} ci --prefer-offline --ignore-scripts --no-audit --no-fund --loglevel=error
    COMMAND ${CMAKE_COMMAND} -E touch ${NIGHTWATT_NPM}/installed
    DEPENDS ${_npm_files}
    WORKING_DIRECTORY ${CMAKE_SOURCE_DIR}/figures/report
    COMMENT "npm packages of figures/report/package-lock.json" VERBATIM)
  add_custom_target(npm_packages DEPENDS ${NIGHTWATT_NPM}/installed)
endif()

# nightwatt_bundle(OUT ENTRY): bundles ENTRY (.js or .css, resolved against the npm packages) for browsers of the last five
# years into the file OUT of the build folder, for nightwatt_embed.
function(nightwatt_bundle out entry)
  get_filename_component(_entry ${entry} ABSOLUTE)
  set(_bundle ${CMAKE_CURRENT_BINARY_DIR}/${out})
  if(NOT NIGHTWATT_BUNDLE STREQUAL "npm")
    if(NIGHTWATT_BUNDLE STREQUAL "none")
      # A style as it is, without the packages' own; no script.
      file(READ ${_entry} _text)
      string(REGEX REPLACE "@import [^\n]*\n" "" _text "${_text}")
      if(entry MATCHES "\\.js$")
        set(_text "")
      endif()
      file(CONFIGURE OUTPUT ${_bundle} CONTENT "${_text}" @ONLY)
    else()
      configure_file(${NIGHTWATT_BUNDLE}/${out} ${_bundle} COPYONLY)
    endif()
    return()
  endif()
  add_custom_command(OUTPUT ${_bundle}
    COMMAND ${CMAKE_COMMAND} -E env NODE_PATH=${NIGHTWATT_NPM}/node_modules
            ${NODE} ${NIGHTWATT_NPM}/node_modules/esbuild/bin/esbuild ${_entry} --bundle --minify --charset=utf8
            --target=es2020 --legal-comments=none --log-level=warning --outfile=${_bundle}
    DEPENDS ${_entry} ${NIGHTWATT_NPM}/installed
    COMMENT "bundling ${out}" VERBATIM)
endfunction()

# nightwatt_bundled_licence(OUT PACKAGE): a package's licence, which goes where its code goes; empty where there is none of it.
function(nightwatt_bundled_licence out package)
  set(_text ${CMAKE_CURRENT_BINARY_DIR}/${out})
  if(NIGHTWATT_BUNDLE STREQUAL "npm")
    add_custom_command(OUTPUT ${_text} COMMAND ${CMAKE_COMMAND} -E copy ${NIGHTWATT_NPM}/node_modules/${package}/LICENSE ${_text}
      DEPENDS ${NIGHTWATT_NPM}/installed VERBATIM)
  elseif(NIGHTWATT_BUNDLE STREQUAL "none")
    file(WRITE ${_text} "")
    return()
  else()
    configure_file(${NIGHTWATT_BUNDLE}/${out} ${_text} COPYONLY)
  endif()
  install(FILES ${_text} DESTINATION ${CMAKE_INSTALL_DOCDIR} RENAME LICENSE.${package})
endfunction()
