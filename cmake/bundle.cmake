# Bundles a page's script and style with the npm packages they use, and embeds them in a library.
#
# The packages are those of tools/page/package-lock.json: fetched by npm once into the build folder, again only when that
# file changes, and never at run time. Nothing of them is in the tree.
find_program(NODE node REQUIRED)
find_program(NPM npm REQUIRED)
find_package(Python3 COMPONENTS Interpreter REQUIRED)

set(NIGHTWATT_NPM ${CMAKE_BINARY_DIR}/npm)
set(_npm_files package.json package-lock.json .npmrc)
list(TRANSFORM _npm_files PREPEND ${CMAKE_SOURCE_DIR}/tools/page/)
# --ignore-scripts: no package runs a program of its own at install.
add_custom_command(OUTPUT ${NIGHTWATT_NPM}/installed
  COMMAND ${CMAKE_COMMAND} -E make_directory ${NIGHTWATT_NPM}
  COMMAND ${CMAKE_COMMAND} -E copy ${_npm_files} ${NIGHTWATT_NPM}
  COMMAND ${NPM} --prefix ${NIGHTWATT_NPM} ci --prefer-offline --ignore-scripts --no-audit --no-fund --loglevel=error
  COMMAND ${CMAKE_COMMAND} -E touch ${NIGHTWATT_NPM}/installed
  DEPENDS ${_npm_files}
  WORKING_DIRECTORY ${CMAKE_SOURCE_DIR}/tools/page
  COMMENT "npm packages of tools/page/package-lock.json" VERBATIM)
add_custom_target(npm_packages DEPENDS ${NIGHTWATT_NPM}/installed)

# nightwatt_bundle(TARGET NAME ENTRY): bundles ENTRY (.js or .css, resolved against the npm packages) for browsers of the
# last five years, and adds to TARGET the constants `nightwatt::bundle::NAME` (std::string_view, the text) and
# `nightwatt::bundle::NAME_hash` (its SHA-256 for a content policy: `sha256-...`). Declare them `extern const` to use them.
function(nightwatt_bundle target name entry)
  get_filename_component(_entry ${entry} ABSOLUTE)
  get_filename_component(_ending ${entry} LAST_EXT)
  set(_bundle ${CMAKE_CURRENT_BINARY_DIR}/${name}${_ending})
  set(_source ${CMAKE_CURRENT_BINARY_DIR}/bundle_${name}.cpp)
  add_custom_command(OUTPUT ${_source}
    COMMAND ${CMAKE_COMMAND} -E env NODE_PATH=${NIGHTWATT_NPM}/node_modules
            ${NODE} ${NIGHTWATT_NPM}/node_modules/esbuild/bin/esbuild ${_entry} --bundle --minify --charset=utf8
            --target=es2020 --legal-comments=none --log-level=warning --outfile=${_bundle}
    COMMAND ${Python3_EXECUTABLE} ${CMAKE_SOURCE_DIR}/cmake/embed.py ${name} ${_bundle} ${_source}
    DEPENDS ${_entry} ${NIGHTWATT_NPM}/installed ${CMAKE_SOURCE_DIR}/cmake/embed.py
    COMMENT "bundling ${name}" VERBATIM)
  target_sources(${target} PRIVATE ${_source})
endfunction()

# The same constants for a file of an npm package as it is.
function(nightwatt_embed_package_file target name file)
  set(_source ${CMAKE_CURRENT_BINARY_DIR}/bundle_${name}.cpp)
  add_custom_command(OUTPUT ${_source}
    COMMAND ${Python3_EXECUTABLE} ${CMAKE_SOURCE_DIR}/cmake/embed.py ${name} ${NIGHTWATT_NPM}/node_modules/${file} ${_source}
    DEPENDS ${NIGHTWATT_NPM}/installed ${CMAKE_SOURCE_DIR}/cmake/embed.py VERBATIM)
  target_sources(${target} PRIVATE ${_source})
endfunction()
