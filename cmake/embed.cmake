# nightwatt_embed(TARGET NAME [INLINE] file...): compiles files into TARGET. FOLDER/FILE.EXT becomes
# `extern const std::string_view file_ext, file_ext_hash;` in namespace nightwatt::embedded of the header "NAME.hpp": its text, and
# its SHA-256 as a content policy names it. INLINE where it will stand within a page.
find_package(Python3 COMPONENTS Interpreter REQUIRED)
set(NIGHTWATT_EMBED_SCRIPT ${CMAKE_CURRENT_LIST_DIR}/embed.py)

function(nightwatt_embed target name)
  cmake_parse_arguments(arg "INLINE" "" "" ${ARGN})
  set(folder ${CMAKE_CURRENT_BINARY_DIR}/embedded)
  set(inline)
  if(arg_INLINE)
    set(inline --inline)
  endif()
  set(files ${arg_UNPARSED_ARGUMENTS})
  add_custom_command(OUTPUT ${folder}/${name}.cpp ${folder}/${name}.hpp
    COMMAND ${CMAKE_COMMAND} -E make_directory ${folder}
    COMMAND ${Python3_EXECUTABLE} ${NIGHTWATT_EMBED_SCRIPT} ${inline} ${folder} ${name} ${files}
    DEPENDS ${files} ${NIGHTWATT_EMBED_SCRIPT}
    WORKING_DIRECTORY ${CMAKE_CURRENT_SOURCE_DIR} VERBATIM)
  target_sources(${target} PRIVATE ${folder}/${name}.cpp ${folder}/${name}.hpp)
  target_include_directories(${target} PRIVATE ${folder})
endfunction()
