# nightwatt_embed(TARGET NAME file...): compiles files into TARGET. FOLDER/FILE.EXT becomes
# `extern const std::string_view file_ext;` in namespace nightwatt::embedded of the header "NAME.hpp".
set(NIGHTWATT_EMBED_SCRIPT ${CMAKE_CURRENT_LIST_DIR}/embed_files.cmake)
function(nightwatt_embed target name)
  set(folder ${CMAKE_CURRENT_BINARY_DIR}/embedded)
  set(files)
  foreach(file ${ARGN})
    cmake_path(ABSOLUTE_PATH file BASE_DIRECTORY ${CMAKE_CURRENT_SOURCE_DIR})
    list(APPEND files ${file})
  endforeach()
  add_custom_command(OUTPUT ${folder}/${name}.cpp ${folder}/${name}.hpp
    COMMAND ${CMAKE_COMMAND} -D "FILES=${files}" -D NAME=${name} -D FOLDER=${folder} -P ${NIGHTWATT_EMBED_SCRIPT}
    DEPENDS ${files} ${NIGHTWATT_EMBED_SCRIPT} VERBATIM)
  target_sources(${target} PRIVATE ${folder}/${name}.cpp ${folder}/${name}.hpp)
  target_include_directories(${target} PRIVATE ${folder})
endfunction()
